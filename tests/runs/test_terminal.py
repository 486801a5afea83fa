"""What a run shows on a terminal, and that a log or a pipe gets plain lines."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import TextIO

import pytest
from helpers.nights.small_plant import copy_plant

from rowcall.cli import Exit, main
from rowcall.progress import Step
from rowcall.run_log import LOG, clear_bar, log_to_stderr, run_log

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")


class Terminal:
    """A pseudo-terminal; `stream` writes to it."""

    def __init__(self) -> None:
        self._reader, writer = os.openpty()
        self.stream: TextIO = os.fdopen(writer, "w")

    def raw(self) -> str:
        """Return all that was written since the last look."""
        self.stream.flush()
        os.set_blocking(self._reader, False)
        read = b""
        try:
            while block := os.read(self._reader, 65536):
                read += block
        except BlockingIOError:
            pass
        return read.decode().replace("\r\n", "\n")

    def close(self) -> None:
        self.stream.close()
        os.close(self._reader)


def screen(raw: str) -> list[str]:
    """Return what a terminal shows in the end: a carriage return goes back, signs replace signs."""
    lines = []
    for line in raw.split("\n"):
        shown = ""
        for piece in line.split("\r"):
            shown = piece + shown[len(piece) :]
        lines.append(shown.rstrip())
    return lines


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    made = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    yield made
    made.close()


@contextmanager
def logging_to(terminal: Terminal, *, quiet: bool = False) -> Iterator[None]:
    with redirect_stderr(terminal.stream), run_log():
        log_to_stderr(quiet=quiet)
        yield


def test_steps_are_a_bar_below_the_lines(terminal: Terminal) -> None:
    with logging_to(terminal):
        LOG.info(Step("Judging 2026-03-01 (1 of 4).", 1, 4))
        assert screen(terminal.raw()) == ["[#####...............] Judging 2026-03-01 (1 of 4)."]
        LOG.warning("A line.")
        LOG.info(Step("Judging (4 of 4).", 4, 4))
        raw = terminal.raw()
    assert screen(raw) == ["A line.", "[####################] Judging (4 of 4)."]
    assert screen(raw + terminal.raw()) == ["A line.", ""]


def test_a_bar_is_gone_before_something_is_printed(terminal: Terminal) -> None:
    with logging_to(terminal):
        LOG.info(Step("Judging.", 1, 1))
        clear_bar()
        assert screen(terminal.raw()) == [""]
        LOG.info("All is done.")
        assert screen(terminal.raw()) == ["All is done.", ""]


def test_a_bar_is_never_wider_than_the_screen(terminal: Terminal) -> None:
    with logging_to(terminal):
        LOG.info(Step("x" * 500, 1, 2))
        assert [len(line) for line in screen(terminal.raw())] == [79]


def test_a_terminal_that_cannot_go_back_gets_lines(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "dumb")
    with logging_to(terminal):
        LOG.info(Step("Judging.", 1, 2))
    assert terminal.raw() == "Judging.\n"


def test_nothing_of_a_bar_with_quiet(terminal: Terminal) -> None:
    with logging_to(terminal, quiet=True):
        LOG.info(Step("Judging.", 1, 2))
    assert terminal.raw() == ""


def test_a_night_on_a_terminal_ends_with_one_line_on_what_it_did(
    made: Path, tmp_path: Path, terminal: Terminal
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    arguments = ["nightly", "--site", str(plant / "site.toml"), "--settle", "0"]
    with redirect_stderr(terminal.stream), redirect_stdout(terminal.stream):
        assert main(arguments) == Exit.NOTICES
    raw = terminal.raw()
    assert "] Judging 2026-03-28 (1 of 1)." in raw
    folder = plant / "reports" / "2026-03-28"
    first, *_, path, last = [line for line in screen(raw) if line]
    assert first == "Inbox inbox: 1 files."
    assert path == str(folder)
    assert last == f"Days judged: 1. On 2026-03-28: 1 next outage. Newest report: {folder}"


def test_a_pipe_gets_each_step_as_a_dated_line() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream, redirect_stderr(stream), run_log():
        log_to_stderr(quiet=False)
        LOG.info(Step("Judging (1 of 2).", 1, 2))
        clear_bar()
    with os.fdopen(reader) as piped:
        assert re.fullmatch(r"\S+ INFO Judging \(1 of 2\)\.\n", piped.read())


def test_a_terminal_that_is_closed_costs_nothing(terminal: Terminal) -> None:
    with logging_to(terminal):
        LOG.info(Step("Judging.", 1, 2))
        terminal.stream.close()
        LOG.info(Step("Judging.", 2, 2))
        LOG.warning("A line.")
        clear_bar()
