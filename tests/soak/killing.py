"""Starting a nightly run as a process of its own, and killing it at a chosen moment."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from pkgutil import resolve_name
from random import Random
from typing import Any

from soak.portrait import STORE

COMMAND = (sys.executable, "-m", "rowcall", "nightly", "--settle", "0")
PHASES = ("before take-in", "take-in", "judging", "report writing", "saving", "closing")
STALE = 3  # exit code: done, but the plant's days lie long ago, which a run remarks upon
LONGEST_S = 120.0  # chosen: many times what a run takes on a busy machine
DIED = 15 if sys.platform == "win32" else -9  # exit code of a killed run

# Loaded once, before processes that are to die fork off: that takes longer than their night.
_LOADED = ("rowcall.cli", "rowcall.runs.nightly", "rowcall.runs.record", "rowcall_reports.write")
_POLL_S = 0.002  # chosen: below the time between most file-system moments of a run


@dataclass(frozen=True, slots=True)
class Watched:
    """A plant that a run is at work on: what can be seen of the run from outside."""

    plant: Path
    log: Path
    before: frozenset[int]  # inodes of the report folders that were there at the start

    def said(self) -> str:
        """Return what the run has told so far."""
        return self.log.read_text(encoding="utf-8", errors="replace")

    def reports(self) -> list[Path]:
        """Return the folders among the reports, hidden ones also."""
        folder = self.plant / "reports"
        return list(folder.iterdir()) if folder.is_dir() else []

    def has(self, ending: str) -> bool:
        """True where a half-done report folder of this ending exists."""
        return any(path.name.endswith(ending) for path in self.reports())

    def written(self) -> set[str]:
        """Return the days whose report folder was put in place by this run."""
        return {path.name for path in self.reports() if _inode(path) not in self.before}

    def phase(self) -> str:
        """Return how far a run that is dead by now had come."""
        said = self.said()
        if "No data newer" in said:
            return "closing"
        if "Judging" in said:
            if self.has(".partial") or self.has(".old"):
                return "report writing"
            day = said.rsplit("Judging ", 1)[1].split(" ", 1)[0]
            return "saving" if day in self.written() else "judging"
        return "take-in" if "Inbox" in said else "before take-in"


# Moments that can be seen on disk or in what a run tells, in the order of a night.
MOMENTS: dict[str, Callable[[Watched], bool]] = {
    "store appears": lambda w: any(w.plant.glob(f"{STORE}*")),
    "inbox listed": lambda w: "Inbox" in w.said(),
    "write-ahead log appears": lambda w: (w.plant / f"{STORE}.wal").exists(),
    "file stored": lambda w: ": stored" in w.said(),
    "judging begins": lambda w: "Judging" in w.said(),
    "report being built": lambda w: w.has(".partial"),
    "older report moved away": lambda w: w.has(".old"),
    "report in place": lambda w: any(not name.startswith(".") for name in w.written()),
    "work done": lambda w: "No data newer" in w.said(),
}


# Calls of a night that change files, and how often each may come; the store's own writes, which
# are not calls of Python, are met by chance.
CALLS = (
    ("pathlib:Path", "write_bytes", 14),
    ("pathlib:Path", "rename", 3),
    ("pathlib:Path", "mkdir", 5),
    ("os", "rmdir", 2),
    ("rowcall.take_in.load.storing", "store_export", 2),
    ("rowcall.runs.record", "save_day", 2),
    ("rowcall.runs.nightly", "mail_night", 1),
)


KILLED = getattr(signal, "SIGKILL", signal.SIGTERM)


@dataclass(frozen=True, slots=True)
class Kill:
    """When to kill a run: so long after its start, or after a moment was seen; by which signal."""

    after: str | None
    delay_s: float
    signal: int = KILLED


@dataclass(frozen=True, slots=True)
class Death:
    """Where a run kills itself: just before a function's nth call."""

    owner: str
    function: str
    nth: int


def draw_kill(chance: Random, undisturbed_s: float) -> Kill | Death:
    """Draw an instant of the whole run, one of its work, one shortly after a moment, or a call."""
    kind = chance.randrange(4)
    if kind == 0:
        return Kill(None, chance.uniform(0.0, undisturbed_s))
    number = chance.choice((KILLED, KILLED, signal.SIGTERM, signal.SIGINT))
    if kind == 1:  # half is starting up
        return Kill("inbox listed", chance.uniform(0.0, undisturbed_s / 2), number)
    if kind == 2:
        delay_s = chance.choice((0.0, chance.uniform(0.0, 0.01), chance.uniform(0.0, 0.1)))
        return Kill(chance.choice(list(MOMENTS)), delay_s, number)
    owner, function, most = chance.choice(CALLS)
    return Death(owner, function, chance.randint(1, most))


def run_killed(plant: Path, log: Path, kill: Kill | Death) -> str | None:
    """Start a run and kill it; return the phase it had come to, None when it had ended before."""
    inodes = frozenset(_inode(path) for path in (plant / "reports").glob("*"))
    watched = Watched(plant, log, inodes)
    if isinstance(kill, Death):
        return watched.phase() if run_dying(plant, kill, log) == DIED else None
    with log.open("wb") as out:
        process = subprocess.Popen(COMMAND, cwd=plant, stdout=out, stderr=out)
    try:
        if kill.after is not None:
            _wait_for(process, watched, MOMENTS[kill.after])
        time.sleep(kill.delay_s)
        ended = process.poll() is not None
        # Before a run has begun nothing takes care of signals.
        number = kill.signal if watched.said() else KILLED
        if sys.platform != "win32" and not ended:
            process.send_signal(number)
            process.wait(LONGEST_S)
    finally:
        process.kill()
        process.wait()
    if number != KILLED and not ended:
        _check_end(process.returncode, number, watched.said())
    return None if ended else watched.phase()


def _check_end(code: int, number: int, said: str) -> None:
    """See that a run that was asked to stop did so with a sentence, or had done its work.

    Raises:
        AssertionError: it ended in another way.
    """
    if code == -number and "No data newer" in said:
        return  # all was done and said, and the process about to end
    # Python ends by the signal itself where it fell into `exec` of a text, as in the making of a
    # dataclass, though it was caught later; to a shell that is 128 and the number too.
    assert code in (128 + number, -number, STALE), (
        f"ended with {code} at signal {number}: {said[-2000:]}"
    )
    assert "Traceback" not in said, f"at signal {number}: {said[-2000:]}"
    assert code == STALE or "Stopped. " in said.splitlines()[-1], said[-2000:]


def run_dying(plant: Path, death: Death, log: Path) -> int | None:
    """Let a process of its own run and kill itself at a call; return its exit code, or `DIED`."""
    if "forkserver" in get_all_start_methods():
        context = get_context("forkserver")
        context.set_forkserver_preload(list(_LOADED))
        process: BaseProcess = context.Process(target=_run_and_die, args=(plant, death, log))
    else:
        process = get_context("spawn").Process(target=_run_and_die, args=(plant, death, log))
    process.start()
    process.join()
    return process.exitcode


def _run_and_die(plant: Path, death: Death, log: Path) -> None:
    """Run in this process, which kills itself instead of calling a function the nth time."""
    from rowcall.cli import main

    os.chdir(plant)
    with log.open("wb") as out:
        for said in (sys.stdout, sys.stderr):
            os.dup2(out.fileno(), said.fileno())
    owner = resolve_name(death.owner)
    do, calls = getattr(owner, death.function), count(1)

    def die(*given: Any, **named: Any) -> Any:
        if next(calls) == death.nth:
            os.kill(os.getpid(), KILLED)
        return do(*given, **named)

    setattr(owner, death.function, die)
    sys.exit(main(["nightly", "--settle", "0"]))


def run_through(plant: Path) -> tuple[int, str]:
    """Let a run do its work; return its exit code and what it told."""
    done = subprocess.run(
        COMMAND, cwd=plant, capture_output=True, text=True, check=False, timeout=LONGEST_S
    )
    return done.returncode, done.stderr


def _wait_for(
    process: subprocess.Popen[bytes], watched: Watched, seen: Callable[[Watched], bool]
) -> None:
    deadline = time.monotonic() + LONGEST_S
    while process.poll() is None and time.monotonic() < deadline:
        try:
            if seen(watched):
                return
        except OSError:
            pass  # renamed away while being looked at
        time.sleep(_POLL_S)


def _inode(path: Path) -> int:
    try:
        return path.stat().st_ino
    except FileNotFoundError:
        return 0
