"""The plant of a month of nights: its evenings, runs as on the mornings, what must come of them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.small_plant import DAYS, make_small_plant

from rowcall.store import Store
from rowcall.store.upkeep.checking import check_store

TESTS = Path(__file__).resolve().parents[1]
FIRST = date(2026, 4, 1)  # no clock change in the month
LONGEST_S = 300.0  # chosen: many times what a night takes on a busy machine
HOUR = timedelta(hours=1)
# `rowcall` with another clock and, where ROOM is set, a disk on which no file exceeds its bytes.
_RUN = """
import os, sys
from datetime import datetime, timedelta
from time import monotonic
from rowcall import cli
from rowcall.commands import judge_commands, mail_command
if room := os.environ.get("ROOM"):
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(room), resource.RLIM_INFINITY))
begun, morning = monotonic(), datetime.fromisoformat(sys.argv[1])
class Clock(datetime):
    @classmethod
    def now(cls, tz=None):
        return morning + timedelta(seconds=monotonic() - begun)
for commands in (judge_commands, mail_command):
    assert commands.datetime is datetime, "the clock of the commands is read elsewhere now"
    commands.datetime = Clock
sys.exit(cli.main(sys.argv[2:]))
"""


@dataclass(frozen=True, slots=True)
class Said:
    """What a run ended with and said; `days` are those of the reports that it lists."""

    code: int
    out: str
    err: str

    @property
    def days(self) -> list[str]:
        """The days of the reports that the run lists."""
        return [Path(line).name for line in self.out.splitlines() if line.startswith("/")]


@dataclass(slots=True)
class Plant:
    """The plant on an evening: its folder, the day that ends, its mail server."""

    folder: Path
    box: Mailbox
    authority: Authority
    port: int
    day: date = FIRST
    security: str = "starttls"
    server: ExitStack = field(default_factory=ExitStack)

    @property
    def inbox(self) -> Path:
        """Where exports arrive."""
        return self.folder / "inbox"

    @property
    def site(self) -> Path:
        """The site file."""
        return self.folder / "site.toml"

    @property
    def store(self) -> Path:
        """The store."""
        return self.folder / "rowcall.duckdb"

    def frame(self, back: int = 0) -> pl.DataFrame:
        """Return the samples of the day, or of one before."""
        day = pl.read_parquet(self.folder / "day.parquet")
        shift = timedelta(days=(self.day - DAYS[-1]).days - back)
        return day.with_columns(pl.col("time") + shift, pl.col("tag").cast(pl.String))

    def export(self, frame: pl.DataFrame | None = None, name: str = "") -> Path:
        """Write an export: of the day as it was, if no other frame is given."""
        path = self.inbox / (name or f"F1_{self.day}.parquet")
        (self.frame() if frame is None else frame).write_parquet(path)
        return self.arrived(path)

    def text(self, content: bytes, name: str = "") -> Path:
        """Write an export as CSV text."""
        path = self.inbox / (name or f"F1_{self.day}.csv")
        path.write_bytes(content)
        return self.arrived(path)

    def arrived(self, path: Path, ago: timedelta = HOUR) -> Path:
        """Let a file have been written so long before the run."""
        at = (self.morning - ago).timestamp()
        os.utime(path, (at, at))
        return path

    @property
    def morning(self) -> datetime:
        """When the run of this night starts."""
        return datetime.combine(self.day + timedelta(days=1), datetime.min.time(), UTC) + 3 * HOUR

    def start(self, *arguments: str, room: int = 0) -> subprocess.Popen[str]:
        """Start a command as on the morning."""
        environment = os.environ | self.authority.environment()
        path = [str(TESTS / "runs" / "child"), str(TESTS), environment.get("PYTHONPATH", "")]
        environment["PYTHONPATH"] = os.pathsep.join(path)  # stand-ins for the pictures
        return subprocess.Popen(
            [sys.executable, "-c", _RUN, self.morning.isoformat(), *(arguments or ("nightly",))],
            cwd=self.folder,
            env=environment | ({"ROOM": str(room)} if room else {}),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, *arguments: str, room: int = 0) -> Said:
        """Run a command to its end."""
        return ended(self.start(*arguments, room=room))

    def serve_mail(self) -> None:
        """Start the mail server."""
        self.server.enter_context(serve(self.box, self.authority, self.security, self.port))


def ended(process: subprocess.Popen[str]) -> Said:
    """Wait for a run."""
    out, err = process.communicate(timeout=LONGEST_S)
    return Said(process.returncode, out, err)


@dataclass(frozen=True, slots=True)
class Night:
    """A night: what happens before and in it, and what has to come of it.

    Attributes:
        play: prepares the night and returns the run that is looked at.
        says: parts of sentences, on stderr or in the report, which name the trouble.
        back: how many days before the last one the days reported lie; further ones in `also`.
        mend: makes good what nobody but a person can, after the night.
        mailed: parts of sentences of mails, where these are others than in `says`; none where the
            trouble is over or one of mail.
    """

    trouble: str
    play: Callable[[Plant], Said]
    code: int = 0
    says: tuple[str, ...] = ()
    back: tuple[int, ...] = (0,)
    also: tuple[str, ...] = ()
    mend: Callable[[Plant], object] = lambda plant: None
    mailed: tuple[str, ...] | None = None


def problems(plant: Plant, night: Night, said: Said, mailed: bool) -> Iterator[str]:
    """Yield what came out otherwise than it has to, after a night and what mended it."""
    if said.code != night.code:
        yield f"exit code {said.code} instead of {night.code}"
    wanted = sorted([str(plant.day - timedelta(days=n)) for n in night.back] + list(night.also))
    if sorted(said.days) != wanted:
        yield f"reports of {said.days} instead of {wanted}"
    if "Traceback" in said.err or "Traceback" in said.out:
        yield "a traceback"
    bodies = [message.get_body(("plain",)) for message in plant.box.messages()]
    mails = "\n".join(" ".join(body.get_content().split()) for body in bodies if body)
    written = said.err + _report(plant)
    for text in night.says:
        if text not in written:
            yield f"no sentence with {text!r}"
    for text in (night.says if night.mailed is None else night.mailed) if mailed else ():
        if text not in mails:
            yield f"no mail with {text!r}"
    lines = [line.partition(" ")[2] for line in said.err.splitlines()]
    if twice := {line for line in lines if lines.count(line) > 1 and "WARNING" in line}:
        yield f"said twice: {twice}"
    yield from (f"store: {text}" for text in _of_store(plant))


def _report(plant: Plant) -> str:
    """Return the text of the day's report, '' where there is none."""
    path = plant.folder / "reports" / str(plant.day) / f"rowcall-{plant.day}.md"
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def _of_store(plant: Plant) -> Iterator[str]:
    with Store.open(plant.store, read_only=True) as store:
        for check in check_store(store, plant.folder / "reports"):
            if check.problem:
                yield f"{check.what}: {check.problem}"


def make_plant(folder: Path) -> Path:
    """Make the plant before its first night."""
    made = make_small_plant(folder / "made")
    plant = folder / "plant"
    (plant / "inbox").mkdir(parents=True)
    shutil.copy(made / "site.toml", plant)
    shutil.copy(max((made / "inbox").iterdir()), plant / "day.parquet")
    return plant


def played_well(plant: Plant, number: int, night: Night, folder: Path, mailed: bool) -> bool:
    """Play a night; return whether all came out as it has to, else keep the plant before it."""
    kept = folder / f"before-{number}"
    shutil.copytree(plant.folder, kept)
    plant.box.got.clear()
    said = night.play(plant)
    night.mend(plant)
    found = list(problems(plant, night, said, mailed))
    what = "; ".join(found) or "as it should"
    print(f"{number:>3} {plant.day} {night.trouble}: {what}", flush=True)
    if found:
        print(f"WRONG; repeat with --night {number} --plant {kept}\n{said.err}", flush=True)
        return False
    shutil.rmtree(kept)
    return True
