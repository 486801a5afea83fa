"""The command on mails: what readers lack, who would get what, and whether the server takes it."""

from __future__ import annotations

import argparse
import os
from datetime import UTC, datetime

from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import Commands, add_command, add_site, add_wait, read_logged_site
from rowcall.run_log import LOG


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands,
        _mail,
        "mail",
        "mail reports that readers lack, also those given up; or only look; or test the server",
    )
    add_site(parser)
    add_wait(parser)
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--dry-run",
        action="store_true",
        help="send nothing; print who would get what now, how large, and why or why not",
    )
    either.add_argument(
        "--test",
        action="store_true",
        help="send each reader a few words, and print what the mail server answers",
    )


def _mail(options: argparse.Namespace) -> Exit:
    from rowcall.runs.mailing.by_hand import dry_run, mail_waiting, send_tests

    site, now = read_logged_site(options), datetime.now(UTC)
    if options.dry_run:
        for line in dry_run(site, now, options.wait, LOG.info):
            print(line)
        return Exit.DONE
    if options.test:
        taken = []
        for line, was_taken in send_tests(site, now, os.environ):
            print(line, flush=True)
            taken.append(was_taken)
        return Exit.DONE if all(taken) else Exit.NOT_MAILED
    lacking = mail_waiting(site, now, options.wait, os.environ, LOG.info)
    for text in lacking:
        LOG.warning(text)
    return Exit.NOT_MAILED if lacking else Exit.DONE
