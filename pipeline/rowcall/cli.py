"""The command `rowcall`: reads arguments, prints plain sentences, returns an exit code.

Everything heavy is imported by the command that needs it, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, cast

from rowcall.arguments import build_parser
from rowcall.errors import (
    BusyError,
    CutShortError,
    ExportError,
    RowcallError,
    SiteError,
    file_problem,
    printable,
)
from rowcall.run_log import LOG, let_go, log_to_file, log_to_stderr, run_log
from rowcall.start import start_quickly, stopping

if TYPE_CHECKING:
    from rowcall.runs.result import RunResult
    from rowcall.site import Site
    from rowcall.site_file import ExportSettings


class Exit(IntEnum):
    """Exit codes; those from 128 on are the number of a signal and 128, as shells have it."""

    DONE = 0
    ROWCALL_FAILED = 1
    NOT_DONE = 2
    NOTICES = 3
    BUSY = 4
    NOT_MAILED = 5
    CUT_SHORT = 6
    PARTS_FAILED = 7
    PARTLY_USABLE = 8
    INTERRUPTED = 130
    PIPE_CLOSED = 141
    TERMINATED = 143


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (see `rowcall --help`)."""
    start_quickly()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console may lack characters of a unit or name
            stream.reconfigure(errors="replace")
    with stopping() as signals, run_log():
        try:
            return int(_run(arguments))
        except SystemExit:
            raise
        except BaseException as error:  # of a panic of polars too
            if signals:
                LOG.warning("Stopped. What is reported stays; the next run goes on from there.")
                return 128 + signals[0]
            LOG.error("rowcall itself failed; send this to its developers.", exc_info=error)
            return Exit.ROWCALL_FAILED


def _run(arguments: Sequence[str] | None) -> Exit:
    try:
        try:
            options = build_parser().parse_args(arguments)
            log_to_stderr(quiet=getattr(options, "quiet", False))
            return _COMMANDS[options.command](options)
        finally:
            sys.stdout.flush()  # here a closed pipe has no sentence yet, at the very end it would
    except BrokenPipeError:
        let_go(sys.stdout)
        return Exit.PIPE_CLOSED
    except (RowcallError, OSError) as error:
        if isinstance(error, CutShortError):
            _print_what_was_done(cast("RunResult", error.done))
        text = file_problem(error) if isinstance(error, OSError) else str(error)
        for line in text.splitlines() if isinstance(error, SiteError) else [text]:
            LOG.error(line)
        return _EXITS.get(type(error), Exit.NOT_DONE)


def _site(
    options: argparse.Namespace,
    settings: Mapping[str, str] | None = None,
    *,
    is_to_judge: bool = False,
) -> Site:
    """Read the site file, and log to the file that it names from then on."""
    from rowcall.site_file import read_site

    site = read_site(options.site, settings, is_to_judge=is_to_judge)
    if site.log is not None:
        log_to_file(site.base / site.log.file, site.log.max_size, site.log.old_files)
    return site


def _nightly(options: argparse.Namespace) -> Exit:
    from rowcall.runs.mailing.alarm import forget_failures, mail_failure
    from rowcall.runs.nightly import run_nightly

    try:
        site = _site(options, is_to_judge=True)
        result = run_nightly(
            site,
            now=datetime.now(UTC),
            wait_s=options.wait,
            settle_s=options.settle,
            progress=LOG.info,
        )
    except Exception as error:
        mail_failure(options.site, error, datetime.now(UTC), os.environ, LOG.warning)
        raise
    forget_failures(site.store)
    return _print_result(result)


def _rerun(options: argparse.Namespace) -> Exit:
    from rowcall.runs.rerun import run_rerun

    settings = dict(_setting(text) for text in options.set)
    site = _site(options, settings, is_to_judge=True)
    result = run_rerun(
        site,
        first=options.first,
        last=options.last,
        folder=options.out,
        settings=settings,
        as_written=_site(options) if settings else site,
        against=options.against,
        now=datetime.now(UTC),
        wait_s=options.wait,
        progress=LOG.info,
    )
    return _print_result(result)


def _rejudge(options: argparse.Namespace) -> Exit:
    from rowcall.runs.rejudge import run_rejudge

    result = run_rejudge(
        _site(options, is_to_judge=True),
        first=options.first,
        last=options.last,
        now=datetime.now(UTC),
        wait_s=options.wait,
        progress=LOG.info,
    )
    return _print_result(result)


def _demo(options: argparse.Namespace) -> Exit:
    from rowcall.runs.demo import run_demo

    return _print_result(
        run_demo(options.folder, days=options.days, seed=options.seed, progress=LOG.info)
    )


def _rules(_: argparse.Namespace) -> Exit:
    from rowcall.diagnosis.rule_book import load_families, load_rules

    for rule in load_rules():
        print(f"{rule.name}: {rule.title}")
        print(f"  looks for: {rule.looks_for}")
        for need in rule.needs:
            roles = " or ".join(role.value for role in need.any_of)
            print(f"  needs: {roles}, {need.purpose}")
        for limit in rule.thresholds:
            print(f"  {rule.name}.{limit.key} = {limit.text}: {limit.meaning} ({limit.source})")
        print(f"  easily confused with: {rule.confused_with}")
        print(f"  sources: {'; '.join(rule.references)}\n")
    for family in load_families():
        rules = ", ".join(member.rule for member in family.members)
        print(f"Case {family.key}: {family.title} (findings of {rules})")
        for cause in family.causes:
            print(f"  cause {cause.name}: {cause.title} (weights: {cause.source})")
            for one in cause.evidence:
                print(f"    {one.holds:+.1f} if so, {one.fails:+.1f} if not: {one.of}")
        print()
    return Exit.DONE


def _schema(options: argparse.Namespace) -> Exit:
    from rowcall_reports.tables.day_files import TABLES, schema_text

    if options.table:
        print(schema_text(options.table), end="")
        return Exit.DONE
    for table in TABLES:
        print(f"{table.name}, a line: {table.title}")
        width = max(len(column.name) for column in table.columns)
        for column in table.columns:
            print(f"  {column.name:{width}}  {column.type_words}: {column.words}")
        print()
    return Exit.DONE


def _new_site(options: argparse.Namespace) -> Exit:
    from rowcall.draft import draft_site

    target: Path = options.to
    _check_new(target)
    try:
        draft = draft_site(options.export, _export_settings(options))
    except ExportError as error:
        raise ExportError(_with_way(error)) from error
    _write_new(target, draft)
    print(
        f"A draft is in {target}. Look at every line marked CHECK and delete its mark, then run: "
        f"rowcall nightly --site {target}"
    )
    return Exit.DONE


def _look(options: argparse.Namespace) -> Exit:
    from rowcall.look import look_at, shown

    known = _export_settings(options)
    refused: list[ExportError] = []

    def refuse(error: ExportError) -> None:
        LOG.warning(_with_way(error))
        refused.append(error)

    for path in options.exports:
        try:
            for looked in look_at(path, known.take_in, known.zone, datetime.now(UTC), refuse):
                print(shown(looked))
        except ExportError as error:
            refuse(error)
    return Exit.NOT_DONE if refused else Exit.DONE


def _set_aside(options: argparse.Namespace) -> Exit:
    from rowcall.csv_text import to_csv
    from rowcall.site_file import read_site
    from rowcall.store import Store
    from rowcall.store.aside import Kept, aside_counts, aside_rows

    with Store.open(read_site(options.site).store, read_only=True) as store:
        kept = Kept(options.file or "", options.reason or "")
        counts = aside_counts(store, kept)
        if options.to:
            _check_new(options.to)
            rows = aside_rows(store, kept)
            _write_new(options.to, to_csv(rows.columns, rows.iter_rows()))
    total = 0
    for file, reason, rows in counts.iter_rows():
        print(printable(f"{rows:>10}  {file}: {reason}"))
        total += rows
    print(f"{total:>10}  rows set aside in all")
    return Exit.DONE


def _new_work_log(options: argparse.Namespace) -> Exit:
    from rowcall.work_log.template import guide, template

    target: Path = options.to
    _check_new(target)
    _write_new(target, template(";" if options.semicolon else ","))
    print(
        f'{target}: a new work log. Put work_log = "{target.name}" under [folders] of the site '
        f"file, and into the log a line for each piece of work.\n{guide()}"
    )
    return Exit.DONE


def _check_work_log(options: argparse.Namespace) -> Exit:
    from rowcall.work_log.read_log import read_work_log
    from rowcall.work_log.template import described

    site = _site(options)
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


def _outage_sheet(options: argparse.Namespace) -> Exit:
    from rowcall.runs.outage import run_outage_sheet

    files, problems = run_outage_sheet(
        _site(options),
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


def _check_store(options: argparse.Namespace) -> Exit:
    from rowcall.runs.lock import hold_site
    from rowcall.store import Store
    from rowcall.store.upkeep.checking import check_store

    site = _site(options)
    path = options.store or site.store
    problems = 0
    with (
        hold_site(site.store, options.wait, LOG.info),
        Store.open(path, read_only=True) as store,
    ):
        for check in check_store(store, site.reports):
            print(printable(f"{check.what}: {check.problem or 'in order'}"), flush=True)
            problems += bool(check.problem)
    if problems:
        raise RowcallError(
            f"{path}: not all of it is in order. Keep the file, put the newest backup in its "
            "place, and run the nightly job: it takes in what the inbox still holds."
        )
    print(f"{path}: the store is whole.")
    return Exit.DONE


def _backup(options: argparse.Namespace) -> Exit:
    from rowcall.runs.lock import hold_site
    from rowcall.store.upkeep.backup import back_up

    site = _site(options)
    with hold_site(site.store, options.wait, LOG.info):
        back_up(site.store, options.to)
    print(f"{options.to}: a copy of {site.store.name}; check it with --store of check-store.")
    return Exit.DONE


def _check_new(target: Path) -> None:
    if target.exists():
        raise RowcallError(
            f"{target} is already there and is not overwritten; name another file with --to."
        )


def _write_new(target: Path, text: str) -> None:
    """Write a file whole, or leave none: half a file would be taken for a whole one."""
    try:
        target.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        with suppress(OSError):
            target.unlink(missing_ok=True)
        raise RowcallError(
            f"{target}: it cannot be written ({error.strerror or error}); check that its folder is "
            "there, that this account may write to it, and that the disk has room."
        ) from error


def _print_result(result: RunResult) -> Exit:
    """Print what a run did and return its exit code."""
    _print_what_was_done(result)
    if not result.reports and not result.failed:
        print("No day was due; no report was written.")
    if result.failed:
        return Exit.PARTS_FAILED
    if result.not_mailed:
        return Exit.NOT_MAILED
    if result.notices:
        return Exit.NOTICES
    return Exit.PARTLY_USABLE if result.unusable else Exit.DONE


def _print_what_was_done(result: RunResult) -> None:
    for text in dict.fromkeys([*result.notices, *result.unusable, *result.not_mailed]):
        LOG.warning(text)
    for report in result.reports:
        print(report)
    if result.range_report is not None:
        print(result.range_report)


def _setting(text: str) -> tuple[str, str]:
    """Read one `--set` of a rerun: a rule's threshold, or a key of the site file."""
    key, value = _key_and_value(text)
    if not value or "." not in key:
        raise RowcallError(
            f"--set {text}: write it as RULE.THRESHOLD=VALUE or baghouse.ID.KEY=VALUE, for example "
            "--set row_silent.min_pulses=10 or --set 'baghouse.BH1.cleaning.interval=12 s'."
        )
    is_site_key = key.split(".")[0] in ("baghouse", "rules")
    return (key if is_site_key else f"rules.{key}"), value


def _export_settings(options: argparse.Namespace) -> ExportSettings:
    from rowcall.site_file import read_export_settings

    settings = dict(_key_and_value(text) for text in options.set)
    for key, value in settings.items():
        if not value or not re.fullmatch(r"(take_in|plant)\.\w+", key):
            raise RowcallError(
                f"--set {key}: write it as take_in.KEY=VALUE or plant.time_zone=ZONE, for example "
                "--set take_in.tag_column=Point."
            )
    return read_export_settings(options.site, settings)


def _key_and_value(text: str) -> tuple[str, str]:
    key, _, value = text.partition("=")
    return key.strip(), value.strip()


def _with_way(error: ExportError) -> str:
    """Say where settings go before there is a site file."""
    way = " Until there is a site file, give it with --set, such as --set take_in.KEY=VALUE."
    return str(error) + (way if "take_in." in str(error) else "")


_EXITS: Mapping[type[Exception], Exit] = {BusyError: Exit.BUSY, CutShortError: Exit.CUT_SHORT}
_COMMANDS: Mapping[str, Callable[[argparse.Namespace], Exit]] = {
    "nightly": _nightly,
    "rerun": _rerun,
    "rejudge": _rejudge,
    "demo": _demo,
    "rules": _rules,
    "schema": _schema,
    "look": _look,
    "set-aside": _set_aside,
    "new-site": _new_site,
    "new-work-log": _new_work_log,
    "check-work-log": _check_work_log,
    "outage-sheet": _outage_sheet,
    "check-store": _check_store,
    "backup": _backup,
}
