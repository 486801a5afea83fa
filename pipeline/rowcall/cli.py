"""The command `rowcall`: reads arguments, runs one command, returns its exit code."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NoReturn, cast

from rowcall.commands import (
    export_commands,
    judge_commands,
    mail_command,
    store_commands,
    text_commands,
    work_commands,
)
from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import EXIT_CODES
from rowcall.errors import BusyError, CutShortError, RowcallError, SiteError, file_problem
from rowcall.run_log import LOG, let_go, log_to_stderr, run_log
from rowcall.start import start_quickly, stopping

if TYPE_CHECKING:
    from rowcall.runs.result import RunResult

__all__ = ["Exit", "main"]

_EXITS: Mapping[type[Exception], Exit] = {BusyError: Exit.BUSY, CutShortError: Exit.CUT_SHORT}


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
            options = _parser().parse_args(arguments)
            log_to_stderr(quiet=getattr(options, "quiet", False))
            run: Callable[[argparse.Namespace], Exit] = options.run
            return run(options)
        finally:
            sys.stdout.flush()  # here a closed pipe has no sentence yet, at the very end it would
    except BrokenPipeError:
        let_go(sys.stdout)
        return Exit.PIPE_CLOSED
    except (RowcallError, OSError) as error:
        if isinstance(error, CutShortError):
            judge_commands.print_what_was_done(cast("RunResult", error.done))
        text = file_problem(error) if isinstance(error, OSError) else str(error)
        for line in text.splitlines() if isinstance(error, SiteError) else [text]:
            LOG.error(line)
        return _EXITS.get(type(error), Exit.NOT_DONE)


def _parser() -> argparse.ArgumentParser:
    """Return the parser; `run` of what it parses is the chosen command."""
    parser = argparse.ArgumentParser(
        prog="rowcall",
        description="The nightly check-up of pulse-jet baghouses from exported historian data.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and stop")
    commands = parser.add_subparsers(
        title="commands", required=True, metavar="COMMAND", dest="command"
    )
    for module in (
        judge_commands,
        export_commands,
        work_commands,
        mail_command,
        store_commands,
        text_commands,
    ):
        module.add_to(commands)
    return parser


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
