"""The arguments of the command `rowcall`, with help that a plant engineer understands."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

_EXIT_CODES = """exit codes:
  0  done
  1  rowcall itself failed; send the message to its developers
  2  nothing done: wrong arguments, site file or store; the message says what to correct
  3  reports are written, but exports, tags, work log or store need a look; see the notices
  4  another rowcall run was at work and did not end in time; nothing done
  5  reports are written, but someone still lacks one by mail; the next run tries again
  6  cut short: what is listed is written and kept; the message says what to correct first
  7  parts of a day failed by an error of rowcall, all else is reported; send the log to developers
  8  reports are written; they name tags that could not be used, or a file waits for the next run
  130  stopped by Ctrl-C; what is reported stays, the next run goes on from there
  141  the program that read the output ended before rowcall did
  143  stopped by the system (SIGTERM), otherwise as 130
"""


class _Version(argparse.Action):
    """Print the version; it is looked up only when asked for, as that takes long."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> NoReturn:
        import rowcall

        print(f"rowcall {rowcall.__version__}")
        parser.exit()


# The only name that argparse has for what `add_subparsers` returns.
_Commands = argparse._SubParsersAction


def build_parser() -> argparse.ArgumentParser:
    """Return the parser; the chosen command's name is in `command`."""
    parser = argparse.ArgumentParser(
        prog="rowcall",
        description="The nightly check-up of pulse-jet baghouses from exported historian data.",
        epilog=_EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and stop")
    commands = parser.add_subparsers(
        title="commands", required=True, metavar="COMMAND", dest="command"
    )
    _add_nightly(commands)
    _add_rerun(commands)
    _add_rejudge(commands)
    _add_demo(commands)
    _add(
        commands,
        "rules",
        "print what each rule looks for, its thresholds, their sources, and causes",
    )
    _add_schema(commands)
    _add_look(commands)
    _add_set_aside(commands)
    _add_new_site(commands)
    _add_new_work_log(commands)
    _add_check_work_log(commands)
    _add_outage_sheet(commands)
    _add_check_store(commands)
    _add_backup(commands)
    return parser


def _add(
    commands: _Commands[argparse.ArgumentParser], name: str, text: str
) -> argparse.ArgumentParser:
    return commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=_EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--site",
        type=Path,
        default=Path("site.toml"),
        metavar="FILE",
        help="the site file (default: site.toml)",
    )


def _add_wait(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--wait",
        type=float,
        default=60.0,
        metavar="SECONDS",
        help="how long to wait if another run is at work (default: 60)",
    )


def _add_quiet(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--quiet",
        action="store_true",
        help="say only warnings and worse on stderr; a log file still gets all",
    )


def _add_days(parser: argparse.ArgumentParser, last: date | None = None) -> None:
    """Add the first and the last day of a range; `last` is that where none is given."""
    for flag, which, default in (("--from", "first", None), ("--to", "last", last)):
        parser.add_argument(
            flag,
            dest=which,
            type=date.fromisoformat,
            required=default is None,
            default=default,
            metavar="YYYY-MM-DD",
            help=f"{which} day to judge" + (" (default: the newest one)" if default else ""),
        )


def _add_nightly(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "nightly",
        "take in new exports, judge every complete day not yet judged, write and mail the reports",
    )
    _add_site(parser)
    _add_wait(parser)
    _add_quiet(parser)
    parser.add_argument(
        "--settle",
        type=float,
        default=5.0,
        metavar="SECONDS",
        help="leave a file that changed within this time to the next run (default: 5)",
    )


def _add_rerun(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "rerun",
        "judge a range of days again, with other settings, into another folder, with one report of "
        "the range: trends, cases, what differs and why",
    )
    _add_site(parser)
    _add_wait(parser)
    _add_quiet(parser)
    _add_days(parser)
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


def _add_rejudge(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "rejudge",
        "judge days of the nightly record anew, after a correction of the site file",
    )
    _add_site(parser)
    _add_wait(parser)
    _add_quiet(parser)
    _add_days(parser, last=date.max)


def _add_demo(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands, "demo", "make exports of an invented plant with known faults, and judge them"
    )
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path("rowcall-demo"),
        help="new or empty folder for exports and reports (default: rowcall-demo)",
    )
    _add_quiet(parser)
    parser.add_argument("--days", type=int, default=30, help="days of data (default: 30)")
    parser.add_argument(
        "--seed",
        type=int,
        default=7,
        help="number that decides the random values of the plant (default: 7)",
    )


def _add_schema(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "schema",
        "print what the columns of findings, cases and work orders hold, for other systems",
    )
    parser.add_argument(
        "table",
        nargs="?",
        choices=("findings", "cases"),
        help="print the JSON Schema (draft 2020-12) of a line of findings.jsonl or cases.jsonl",
    )


def _add_look(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(commands, "look", "show how exports are read, and store nothing")
    parser.add_argument(
        "exports",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="an export, archive or folder, or a pattern such as 'exports/*.csv'",
    )
    _add_export_settings(parser)


def _add_export_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--site",
        type=Path,
        metavar="FILE",
        help="use [plant] and [take_in] of this site file, which may hold nothing else yet",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a setting such as take_in.tag_column=Point or plant.time_zone=UTC; may be repeated",
    )


def _add_set_aside(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "set-aside",
        "count the rows of exports that could not be used, or write them to a file",
    )
    _add_site(parser)
    parser.add_argument(
        "--to",
        type=Path,
        metavar="FILE",
        help="new CSV file for these rows: file, line, column, original text, reason",
    )
    parser.add_argument(
        "--file", metavar="NAME", help="only rows of exports with this in their name"
    )
    parser.add_argument("--reason", metavar="TEXT", help="only rows with this in their reason")


def _add_new_site(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands, "new-site", "draft a site file from an export; check and complete it by hand"
    )
    parser.add_argument(
        "export",
        type=Path,
        metavar="FILE",
        help="an export of the historian, or an archive, folder or pattern of them",
    )
    _add_export_settings(parser)
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("site.toml"),
        metavar="FILE",
        help="new site file (default: site.toml)",
    )


def _add_new_work_log(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
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


def _add_check_work_log(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "check-work-log",
        "print each entry of the work log as understood, and what is wrong with it (then code 2)",
    )
    _add_site(parser)


def _add_outage_sheet(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "outage-sheet",
        "write what waits for the next stop: sheets for the work, the return to service, bags",
    )
    _add_site(parser)
    _add_wait(parser)
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


def _add_check_store(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands,
        "check-store",
        "read the store from end to end and say whether it is whole; nothing is changed",
    )
    _add_site(parser)
    _add_wait(parser)
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="check this file instead, as a backup"
    )


def _add_backup(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _add(
        commands, "backup", "copy the store into a new file while no other run is at work on it"
    )
    _add_site(parser)
    _add_wait(parser)
    parser.add_argument(
        "--to", type=Path, required=True, metavar="FILE", help="new file for the copy"
    )
