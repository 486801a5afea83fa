"""The command `rowcall`: arguments in, plain sentences and an exit code out.

Everything heavy is imported by the command that needs it, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall import __version__
from rowcall.errors import BusyError, RowcallError

if TYPE_CHECKING:
    from rowcall.runs.nightly import RunResult


class Exit(IntEnum):
    """Exit codes; 1 is left to a failure of rowcall itself."""

    DONE = 0
    NOT_DONE = 2
    INPUT_UNUSABLE = 3
    BUSY = 4
    NOT_MAILED = 5


_EXIT_CODES = """exit codes:
  0  done
  1  rowcall itself failed; the message is meant for its makers
  2  nothing done: wrong arguments, site file or store; the message says what to mend
  3  reports are written, but some input could not be used; each piece is named
  4  another rowcall run was at work and did not end in time; nothing done
  5  reports are written, but someone still lacks one by mail; the next run tries again
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (see `rowcall --help`)."""
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], Exit] = options.command
    try:
        return int(command(options))
    except BusyError as error:
        _say(str(error))
        return int(Exit.BUSY)
    except RowcallError as error:
        _say(str(error))
        return int(Exit.NOT_DONE)


def _nightly(options: argparse.Namespace) -> Exit:
    from rowcall.runs.nightly import run_nightly
    from rowcall.site_file import read_site

    result = run_nightly(
        read_site(options.site),
        now=datetime.now(UTC),
        wait_s=options.wait,
        settle_s=options.settle,
        progress=_say,
    )
    return _tell(result)


def _rerun(options: argparse.Namespace) -> Exit:
    from rowcall.runs.rerun import run_rerun
    from rowcall.site_file import read_site

    settings = dict(_setting(text) for text in options.set)
    result = run_rerun(
        read_site(options.site, settings),
        first=options.first,
        last=options.last,
        folder=options.out,
        settings=settings,
        wait_s=options.wait,
        progress=_say,
    )
    return _tell(result)


def _demo(options: argparse.Namespace) -> Exit:
    from rowcall.runs.demo import run_demo

    return _tell(run_demo(options.folder, days=options.days, seed=options.seed, progress=_say))


def _rules(_: argparse.Namespace) -> Exit:
    from rowcall.diagnosis.rule_book import load_rules

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
    return Exit.DONE


def _new_site(options: argparse.Namespace) -> Exit:
    from rowcall.draft import draft_site

    target: Path = options.to
    if target.exists():
        raise RowcallError(f"{target} is already there and is not overwritten; name another file.")
    text = draft_site(options.export)
    target.write_text(text, encoding="utf-8", newline="\n")
    print(f"A draft is in {target}. Look at every line marked CHECK, then run: rowcall nightly")
    return Exit.DONE


def _tell(result: RunResult) -> Exit:
    """Print what a run did and return the exit code that says how it went."""
    for text in [*dict.fromkeys(result.unusable), *result.not_mailed]:
        _say(text)
    for report in result.reports:
        print(report)
    if not result.reports:
        print("No day was due; no report was written.")
    if result.not_mailed:
        return Exit.NOT_MAILED
    return Exit.INPUT_UNUSABLE if result.unusable else Exit.DONE


def _setting(text: str) -> tuple[str, str]:
    """Read one `--set`: a rule's threshold, or a key of the site file."""
    key, sign, value = text.partition("=")
    key, value = key.strip(), value.strip()
    if not sign or not value or "." not in key:
        raise RowcallError(
            f"--set {text}: write it as RULE.THRESHOLD=VALUE or baghouse.ID.KEY=VALUE, for example "
            "--set row_silent.min_pulses=10 or --set 'baghouse.BH1.cleaning.interval=12 s'."
        )
    is_site_key = key.split(".")[0] in ("baghouse", "rules")
    return (key if is_site_key else f"rules.{key}"), value


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="rowcall",
        description="The nightly check-up of pulse-jet baghouses from exported historian data.",
        epilog=_EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"rowcall {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_nightly(commands)
    _add_rerun(commands)
    _add_demo(commands)
    add = _adder(commands)
    add("rules", _rules, "print what each rule looks for, its thresholds and their sources")
    new_site = add("new-site", _new_site, "draft a site file from an export, for you to finish")
    new_site.add_argument("export", type=Path, help="a CSV or Parquet export of the historian")
    new_site.add_argument(
        "--to", type=Path, default=Path("site.toml"), help="file to write (default: site.toml)"
    )
    return parser


_Commands = argparse._SubParsersAction  # the only name argparse has for it


def _adder(
    commands: _Commands[argparse.ArgumentParser],
) -> Callable[..., argparse.ArgumentParser]:
    def add(
        name: str, command: Callable[[argparse.Namespace], Exit], text: str
    ) -> argparse.ArgumentParser:
        parser = commands.add_parser(
            name,
            help=text,
            description=text[0].upper() + text[1:] + ".",
            epilog=_EXIT_CODES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        parser.set_defaults(command=command)
        return parser

    return add


def _add_site_and_wait(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--site", type=Path, default=Path("site.toml"), help="the site file (default: site.toml)"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=60.0,
        metavar="SECONDS",
        help="how long to wait for another run to end (default: 60)",
    )


def _add_nightly(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _adder(commands)(
        "nightly",
        _nightly,
        "take in new exports, judge every complete day not yet judged, write and mail the reports",
    )
    _add_site_and_wait(parser)
    parser.add_argument(
        "--settle",
        type=float,
        default=5.0,
        metavar="SECONDS",
        help="leave files changed less than this ago for the next run (default: 5)",
    )


def _add_rerun(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _adder(commands)(
        "rerun", _rerun, "judge a range of days again, with other settings, into another folder"
    )
    _add_site_and_wait(parser)
    parser.add_argument(
        "--from", dest="first", type=date.fromisoformat, required=True, metavar="YYYY-MM-DD"
    )
    parser.add_argument(
        "--to", dest="last", type=date.fromisoformat, required=True, metavar="YYYY-MM-DD"
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("rerun"),
        help="folder for the reports (default: rerun); never the nightly one",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="another setting, RULE.THRESHOLD=VALUE or baghouse.ID.KEY=VALUE; may be repeated",
    )


def _add_demo(commands: _Commands[argparse.ArgumentParser]) -> None:
    parser = _adder(commands)(
        "demo", _demo, "make the exports of an invented plant with seeded faults and judge them"
    )
    parser.add_argument(
        "--folder",
        type=Path,
        default=Path("rowcall-demo"),
        help="folder to make (default: rowcall-demo)",
    )
    parser.add_argument("--days", type=int, default=30, help="days of data (default: 30)")
    parser.add_argument("--seed", type=int, default=7, help="seed of the plant (default: 7)")
