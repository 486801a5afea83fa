"""The commands on work at the baghouse: new-work-log, check-work-log and outage-sheet."""

from __future__ import annotations

import argparse
from datetime import UTC, date, datetime
from pathlib import Path

from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import (
    Commands,
    add_command,
    add_site,
    add_wait,
    check_new,
    read_logged_site,
    write_new,
)
from rowcall.errors import RowcallError, printable
from rowcall.run_log import LOG


def add_to(commands: Commands) -> None:
    """Add these commands to the parser."""
    _add_new_work_log(commands)
    _add_check_work_log(commands)
    _add_outage_sheet(commands)


def _add_new_work_log(commands: Commands) -> None:
    parser = add_command(
        commands,
        _new_work_log,
        "new-work-log",
        "write an empty work log, and print what may stand in it",
    )
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("work-log.csv"),
        metavar="FILE",
        help="new CSV file (default: work-log.csv)",
    )
    parser.add_argument(
        "--semicolon",
        action="store_true",
        help="put ; between cells, as spreadsheet programs do where 1,5 is written for 1.5",
    )


def _new_work_log(options: argparse.Namespace) -> Exit:
    from rowcall.work_log.template import guide, template

    target: Path = options.to
    check_new(target)
    write_new(target, template(";" if options.semicolon else ","))
    print(
        f'{target}: a new work log. Put work_log = "{target.name}" under [folders] of the site '
        f"file, and into the log a line for each piece of work.\n{guide()}"
    )
    return Exit.DONE


def _add_check_work_log(commands: Commands) -> None:
    parser = add_command(
        commands,
        _check_work_log,
        "check-work-log",
        "print each entry of the work log as understood, and what is wrong with it (then code 2)",
    )
    add_site(parser)


def _check_work_log(options: argparse.Namespace) -> Exit:
    from rowcall.work_log.read_log import read_work_log
    from rowcall.work_log.template import described

    site = read_logged_site(options)
    if site.work_log is None:
        raise RowcallError(
            f'{options.site}: it names no work log; begin one with "rowcall new-work-log" and put '
            'work_log = "work-log.csv" under [folders].'
        )
    log, problems = read_work_log(site, datetime.now(UTC))
    for entry in log:
        print(printable(described(entry, site.plant.zone)))
    for text in problems:
        LOG.warning(text)
    n_lines = len({entry.line for entry in log})
    print(f"Lines that can be used: {n_lines}; problems: {len(problems)}.")
    return Exit.NOT_DONE if problems else Exit.DONE


def _add_outage_sheet(commands: Commands) -> None:
    parser = add_command(
        commands,
        _outage_sheet,
        "outage-sheet",
        "write what waits for the next stop: the work, the return to service, bags and their life",
    )
    add_site(parser)
    add_wait(parser)
    parser.add_argument("--baghouse", metavar="ID", help="only this one (default: all)")
    parser.add_argument(
        "--day",
        type=date.fromisoformat,
        metavar="YYYY-MM-DD",
        help="as of the end of this judged day (default: the newest one)",
    )
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("outage"),
        metavar="FOLDER",
        help="folder for the sheets (default: outage)",
    )


def _outage_sheet(options: argparse.Namespace) -> Exit:
    from rowcall.runs.outage import run_outage_sheet

    files, problems = run_outage_sheet(
        read_logged_site(options),
        baghouse=options.baghouse,
        day=options.day,
        folder=options.to,
        now=datetime.now(UTC),
        wait_s=options.wait,
        progress=LOG.info,
    )
    for text in problems:
        LOG.warning(text)
    for path in files:
        print(path)
    return Exit.NOTICES if problems else Exit.DONE
