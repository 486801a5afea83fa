"""What a run says while it is at work: on stderr and, where the site file names one, in a log file.

Notices of libraries (no home folder, a font cache) go to the log file only.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TextIO

from rowcall.errors import file_problem, printable, traced
from rowcall.progress import Step

if TYPE_CHECKING:
    from tqdm import tqdm

LOG = logging.getLogger("rowcall")


@contextmanager
def run_log() -> Iterator[None]:
    """Let the handlers that are added within the block end with it."""
    owners = LOG, logging.getLogger()
    before = [list(owner.handlers) for owner in owners]
    logging.captureWarnings(True)
    owners[1].addHandler(logging.NullHandler())  # else logging prints notices of libraries
    try:
        yield
    finally:
        logging.captureWarnings(False)
        for owner, kept in zip(owners, before, strict=True):
            for handler in [one for one in owner.handlers if one not in kept]:
                owner.removeHandler(handler)
                handler.close()


def log_to_stderr(*, quiet: bool) -> None:
    """Say all, or only warnings and worse, on stderr.

    On a terminal without time and level: whoever reads there sees when a line comes, and sentences
    keep the width of the screen. Steps of a run are a bar there, below all lines.
    """
    is_terminal = sys.stderr.isatty()
    moves_back = is_terminal and os.environ.get("TERM") != "dumb"
    handler = _Terminal(sys.stderr) if moves_back else _Stderr(sys.stderr)
    handler.setFormatter(_Lines(dated=not is_terminal))
    handler.setLevel(logging.WARNING if quiet else logging.INFO)
    LOG.setLevel(logging.INFO)
    LOG.addHandler(handler)


def log_to_file(path: Path, max_bytes: int, old_files: int) -> None:
    """Write all that is said to a file too; what it cannot take is still said on stderr."""
    from logging.handlers import RotatingFileHandler  # loads as much as all else of the start

    class File(RotatingFileHandler):
        def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
            logging.getLogger().removeHandler(self)
            error = sys.exception()
            reason = file_problem(error) if isinstance(error, OSError) else str(error)
            LOG.warning("%s: the log file ends here for this run. %s", self.baseFilename, reason)

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = File(path, maxBytes=max_bytes, backupCount=old_files, encoding="utf-8")
    except OSError as error:
        LOG.warning("The log file cannot be used. %s", file_problem(error))
        return
    handler.setFormatter(_Lines(dated=True))
    logging.getLogger().addHandler(handler)


def clear_bar() -> None:
    """Take the bar off the terminal, before something is printed to stdout."""
    for handler in LOG.handlers:
        if isinstance(handler, _Terminal):
            handler.clear()


def let_go(stream: TextIO) -> None:
    """Send what a stream still holds to nowhere: its reader has gone, and exit would complain."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


class _Lines(logging.Formatter):
    """A record as one line, so that no name or cell can begin another; its traceback below it."""

    def __init__(self, *, dated: bool) -> None:
        super().__init__()
        self._dated = dated

    def format(self, record: logging.LogRecord) -> str:
        line = printable(record.getMessage())
        if self._dated:
            at = datetime.fromtimestamp(record.created).astimezone()
            line = f"{at.isoformat(timespec='seconds')} {record.levelname} {line}"
        error = record.exc_info[1] if record.exc_info else None
        if error:
            return "\n".join([line, *traced(error)])
        return "\n".join(filter(None, (line, record.exc_text)))  # of another process


class _Stderr(logging.StreamHandler[TextIO]):
    """Stderr; a run whose listener has gone works on."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        if isinstance(sys.exception(), BrokenPipeError):
            let_go(self.stream)


class _Terminal(_Stderr):
    """A terminal: lines as they come, and below them a bar of how far the run is."""

    _bar: tqdm[NoReturn] | None = None

    def emit(self, record: logging.LogRecord) -> None:
        """Write a line above the bar, or the next step as the bar."""
        try:
            if isinstance(record.msg, Step):
                self._step(record.msg)
                return
            if self._bar is not None:
                self._bar.clear()
            super().emit(record)
            if self._bar is not None:
                self._bar.refresh()
        except Exception:
            self.handleError(record)

    def clear(self) -> None:
        """Take the bar away."""
        bar, self._bar = self._bar, None
        if bar is not None:
            with suppress(OSError, ValueError):  # nobody looks at it any more
                bar.close()

    def close(self) -> None:
        """Leave no bar behind."""
        self.clear()
        super().close()

    def _step(self, step: Step) -> None:
        from tqdm import tqdm  # only a terminal needs it

        if self._bar is None:
            tqdm.monitor_interval = 0  # no thread that watches over it
            columns, rows = 0, 0  # some terminals do not say
            with suppress(OSError):
                columns, rows = os.get_terminal_size(self.stream.fileno())
            self._bar = tqdm(
                file=self.stream,
                ascii=".#",
                leave=False,
                bar_format="[{bar:20}] {desc}",
                ncols=(columns or 80) - 1,  # at its edge lines break
                nrows=rows or 24,
            )
        self._bar.total, self._bar.n = step.of, step.done
        self._bar.set_description_str(printable(str(step)))
