"""The commands that judge days: nightly, rerun, rejudge and demo."""

from __future__ import annotations

import argparse
import os
from datetime import UTC, date, datetime
from pathlib import Path

import rowcall
from rowcall.commands.exit_codes import Exit
from rowcall.commands.idle_run import IdleRun, folder_state, keep_idle, last_idle, states
from rowcall.commands.options import (
    Commands,
    add_command,
    add_days,
    add_quiet,
    add_site,
    add_wait,
    add_workers,
    key_and_value,
    logged_to,
    read_logged_site,
)
from rowcall.errors import RowcallError
from rowcall.run_log import LOG, clear_bar, log_to_file
from rowcall.runs.result import RunResult


def add_to(commands: Commands) -> None:
    """Add these commands to the parser."""
    _add_nightly(commands)
    _add_rerun(commands)
    _add_rejudge(commands)
    _add_demo(commands)


def _add_nightly(commands: Commands) -> None:
    parser = add_command(
        commands,
        _nightly,
        "nightly",
        "take in new exports, judge every complete day not yet judged, write and mail the reports",
    )
    add_site(parser)
    add_wait(parser)
    add_quiet(parser)
    add_workers(parser)
    parser.add_argument(
        "--settle",
        type=float,
        default=5.0,
        metavar="SECONDS",
        help="leave a file that changed within this time to the next run (default: 5)",
    )


def _nightly(options: argparse.Namespace) -> Exit:
    now = datetime.now(UTC)
    idle = last_idle(options.site, now)
    if idle is not None:
        if idle.log is not None:
            log_to_file(Path(idle.log[0]), *idle.log[1:])
        return _print_result(RunResult(notices=idle.notices))
    return _nightly_run(options, now)


def _nightly_run(options: argparse.Namespace, now: datetime) -> Exit:
    from rowcall.days import day_bounds, local_day
    from rowcall.runs.mailing.alarm import forget_failures, mail_failure
    from rowcall.runs.nightly import run_nightly

    try:
        files = states([options.site])  # before they are read: what changes meanwhile is seen then
        site = read_logged_site(options, is_to_judge=True)
        files |= states([] if site.work_log is None else [site.work_log])
        inbox_state = folder_state(site.inbox)
        result = run_nightly(
            site,
            now=now,
            wait_s=options.wait,
            settle_s=options.settle,
            progress=LOG.info,
            workers=options.workers,
        )
    except Exception as error:
        mail_failure(options.site, error, datetime.now(UTC), os.environ, LOG.warning)
        raise
    forget_failures(site.store)
    if result.is_idle:
        _, end = day_bounds(local_day(now, site.plant.zone), site.plant.zone)
        idle = IdleRun(
            version=rowcall.__version__,
            begun=now.timestamp(),
            end=end.timestamp(),
            files=files | states([site.store, site.reports]),
            inbox=str(site.inbox.absolute()),
            inbox_state=inbox_state,
            notices=result.notices,
            log=logged_to(site),
        )
        keep_idle(options.site, idle)
    return _print_result(result)


def _add_rerun(commands: Commands) -> None:
    parser = add_command(
        commands,
        _rerun,
        "rerun",
        "judge a range of days again, with other settings, into another folder, with one report of "
        "the range: trends, cases, what differs and why",
    )
    add_site(parser)
    add_wait(parser)
    add_quiet(parser)
    add_workers(parser)
    add_days(parser)
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("rerun"),
        metavar="FOLDER",
        help="folder for the reports (default: rerun); not the folder of the nightly reports",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a setting to try, RULE.THRESHOLD=VALUE or baghouse.ID.KEY=VALUE; may be repeated",
    )
    parser.add_argument(
        "--against",
        default="nightly",
        metavar="FOLDER",
        help="another rerun's folder: the report of the range says which verdicts differ from it "
        "and why (default: nightly, the nightly record)",
    )


def _rerun(options: argparse.Namespace) -> Exit:
    from rowcall.runs.rerun import run_rerun

    settings = dict(_setting(text) for text in options.set)
    site = read_logged_site(options, settings, is_to_judge=True)
    result = run_rerun(
        site,
        first=options.first,
        last=options.last,
        folder=options.out,
        settings=settings,
        as_written=read_logged_site(options) if settings else site,
        against=options.against,
        now=datetime.now(UTC),
        wait_s=options.wait,
        progress=LOG.info,
        workers=options.workers,
    )
    return _print_result(result)


def _add_rejudge(commands: Commands) -> None:
    parser = add_command(
        commands,
        _rejudge,
        "rejudge",
        "judge days of the nightly record anew, after a correction of the site file",
    )
    add_site(parser)
    add_wait(parser)
    add_quiet(parser)
    add_workers(parser)
    add_days(parser, last=date.max)


def _rejudge(options: argparse.Namespace) -> Exit:
    from rowcall.runs.rejudge import run_rejudge

    result = run_rejudge(
        read_logged_site(options, is_to_judge=True),
        first=options.first,
        last=options.last,
        now=datetime.now(UTC),
        wait_s=options.wait,
        progress=LOG.info,
        workers=options.workers,
    )
    return _print_result(result)


def _add_demo(commands: Commands) -> None:
    parser = add_command(
        commands,
        _demo,
        "demo",
        "make exports of an invented plant with known faults, and judge them",
    )
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path("rowcall-demo"),
        help="new or empty folder for exports and reports (default: rowcall-demo)",
    )
    add_quiet(parser)
    add_workers(parser)
    parser.add_argument("--days", type=int, default=30, help="days of data (default: 30)")
    parser.add_argument(
        "--seed",
        type=int,
        default=7,
        help="number that decides the random values of the plant (default: 7)",
    )


def _demo(options: argparse.Namespace) -> Exit:
    from rowcall.runs.demo import run_demo

    return _print_result(
        run_demo(
            options.folder,
            days=options.days,
            seed=options.seed,
            progress=LOG.info,
            workers=options.workers,
        )
    )


def _print_result(result: RunResult) -> Exit:
    """Print what a run did and return its exit code."""
    print_what_was_done(result)
    if result.judged:
        LOG.info(_summary(result))
    elif not result.failed:
        print("No day was due; no report was written.")
    if result.failed:
        return Exit.PARTS_FAILED
    if result.not_mailed:
        return Exit.NOT_MAILED
    if result.notices:
        return Exit.NOTICES
    return Exit.PARTLY_USABLE if result.unusable else Exit.DONE


def _summary(result: RunResult) -> str:
    counts = [f"{n} {urgency}" for urgency, n in result.to_do.items()]
    found = f"On {result.newest}: {', '.join(counts) or 'nothing to do'}."
    where = f"Newest report: {max(result.reports)}" if result.reports else "No report changed."
    return f"Days judged: {result.judged}. {found} {where}"


def print_what_was_done(result: RunResult) -> None:
    clear_bar()
    for text in dict.fromkeys([*result.notices, *result.unusable, *result.not_mailed]):
        LOG.warning(text)
    for report in result.reports:
        print(report)
    if result.range_report is not None:
        print(result.range_report)


def _setting(text: str) -> tuple[str, str]:
    """Read one `--set` of a rerun: a rule's threshold, or a key of the site file."""
    key, value = key_and_value(text)
    if not value or "." not in key:
        raise RowcallError(
            f"--set {text}: write it as RULE.THRESHOLD=VALUE or baghouse.ID.KEY=VALUE, for example "
            "--set row_silent.min_pulses=10 or --set 'baghouse.BH1.cleaning.interval=12 s'."
        )
    is_site_key = key.split(".")[0] in ("baghouse", "rules")
    return (key if is_site_key else f"rules.{key}"), value
