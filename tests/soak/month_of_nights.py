"""Plays a month of nights on a small plant, one trouble each night, with nobody at hand.

    python tests/soak/month_of_nights.py [--mailed] [--night N --plant FOLDER]

Not part of the test suite. Each night the historian's export of the day before arrives, or what the
trouble makes of it, and `rowcall nightly` runs as on that morning. Seen to after each night: the
exit code, the sentences that name the trouble, which days were reported, that no traceback was
printed, that the ledger accounts for every row and that the store is in order. A night that came
out wrong is named with what repeats it: its plant is kept as it was on that evening.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import READERS, with_mail
from helpers.nights.small_plant import DAYS, make_small_plant

from rowcall.store import Store
from rowcall.store.upkeep.checking import check_store

TESTS = Path(__file__).resolve().parents[1]
FIRST = date(2026, 4, 1)  # no clock change in the month
LONGEST_S = 300.0  # chosen: many times what a night takes on a busy machine
HOUR = timedelta(hours=1)
DP, HEADER = "F1.PDT-100", "F1.PT-110"
# `rowcall` with another clock and, where ROOM is set, a disk on which no file exceeds its bytes.
_RUN = """
import os, sys
from datetime import datetime, timedelta
from time import monotonic
from rowcall import cli
if room := os.environ.get("ROOM"):
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(room), resource.RLIM_INFINITY))
begun, morning = monotonic(), datetime.fromisoformat(sys.argv[1])
class Clock(datetime):
    @classmethod
    def now(cls, tz=None):
        return morning + timedelta(seconds=monotonic() - begun)
cli.datetime = Clock
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
    """

    trouble: str
    play: Callable[[Plant], Said]
    code: int = 0
    says: tuple[str, ...] = ()
    back: tuple[int, ...] = (0,)
    also: tuple[str, ...] = ()
    mend: Callable[[Plant], object] = lambda plant: None


def played(make: Callable[[Plant], object]) -> Callable[[Plant], Said]:
    """Return a night in which something is made of the exports, and then all runs as usual."""

    def play(plant: Plant) -> Said:
        make(plant)
        return plant.run()

    return play


def changed(change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Plant], Said]:
    """Return a night whose export is changed."""
    return played(lambda plant: plant.export(change(plant.frame())))


def of_tag(tag: str, value: pl.Expr) -> Callable[[pl.DataFrame], pl.DataFrame]:
    """Return a change of all values of one tag."""
    new = pl.when(pl.col("tag") == tag).then(value).otherwise(pl.col("value"))
    return lambda frame: frame.with_columns(value=new)


def csv(frame: pl.DataFrame) -> bytes:
    """Return a frame as text."""
    return frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%S%.3fZ").encode()


def beside(name: str, content: bytes) -> Callable[[Plant], Said]:
    """Return a night on which another file lies beside the export."""
    return played(lambda plant: (plant.export(), plant.text(content, name)))


def removed(name: str) -> Callable[[Plant], object]:
    """Return what takes a file out of the inbox."""
    return lambda plant: (plant.inbox / name).unlink()


def _full_disk(plant: Plant) -> Said:
    plant.export()
    return plant.run(room=4096)


def _damaged(plant: Plant) -> Said:
    plant.export()
    with plant.store.open("r+b") as file:
        file.seek(plant.store.stat().st_size // 2)
        file.write(os.urandom(plant.store.stat().st_size // 4))
    return plant.run()


def _restore(plant: Plant) -> None:
    shutil.copy(plant.folder / "backup.duckdb", plant.store)


def _back_up(plant: Plant) -> Said:
    plant.export()
    said = plant.run()
    copied = plant.run("backup", "--to", "backup.duckdb")
    return said if copied.code == 0 else copied


def _stopped(number: int) -> Callable[[Plant], Said]:
    def play(plant: Plant) -> Said:
        plant.export()
        process = plant.start()
        deadline = time.monotonic() + LONGEST_S
        judging, assembled = "Judging", ""
        assert process.stderr
        while judging not in assembled and time.monotonic() < deadline:
            assembled += process.stderr.readline()
        process.send_signal(number)
        said = ended(process)
        return Said(said.code, said.out, assembled + said.err)

    return play


def _two_at_once(plant: Plant) -> Said:
    plant.export()
    first, second = plant.start(), plant.start()
    one, other = ended(first), ended(second)
    return Said(max(one.code, other.code), one.out + other.out, one.err + other.err)


def _no_mail_server(plant: Plant) -> Said:
    plant.server.close()
    plant.export()
    try:
        return plant.run()
    finally:
        plant.serve_mail()


@contextmanager
def _box(plant: Plant, **how: object) -> Iterator[None]:
    before = {name: getattr(plant.box, name) for name in how}
    for name, value in how.items():
        setattr(plant.box, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            setattr(plant.box, name, value)


def _mail(**how: object) -> Callable[[Plant], Said]:
    def play(plant: Plant) -> Said:
        plant.export()
        with _box(plant, **how):
            return plant.run()

    return play


def _mistake(plant: Plant) -> Said:
    plant.export()
    text = plant.site.read_text(encoding="utf-8")
    plant.site.write_text(text.replace("bags_per_row", "bag_per_row"), encoding="utf-8")
    return plant.run()


def _mistake_mended(plant: Plant) -> None:
    text = plant.site.read_text(encoding="utf-8")
    plant.site.write_text(text.replace("bag_per_row", "bags_per_row"), encoding="utf-8")


def _dated_2000(frame: pl.DataFrame) -> pl.DataFrame:
    old = frame.head(1).with_columns(time=pl.lit(datetime(2000, 1, 1, 12, tzinfo=UTC)))
    return pl.concat([frame, old.cast(frame.schema)])


def _odd_name(plant: Plant) -> None:
    path = Path(os.fsdecode(os.fsencode(plant.inbox) + b"/F1_\xff.parquet"))
    plant.export().rename(path)


def _inbox_gone(plant: Plant) -> None:
    plant.inbox.rename(plant.folder / "elsewhere")


def _inbox_back(plant: Plant) -> None:
    (plant.folder / "elsewhere").rename(plant.inbox)


def _report_deleted(plant: Plant) -> None:
    plant.export()
    shutil.rmtree(plant.folder / "reports" / str(plant.day - timedelta(days=1)))


def _put_back_report(plant: Plant) -> None:
    plant.run("rejudge", "--from", str(plant.day - timedelta(days=1)))


def _growing(plant: Plant) -> Said:
    plant.arrived(plant.export(), timedelta(0))
    return plant.run("nightly", "--settle", "1800")  # starting takes seconds on a busy machine


def _late(plant: Plant) -> None:
    plant.export()
    plant.export(plant.frame(2), f"F1_{plant.day - timedelta(days=2)}.parquet")


def _corrected(plant: Plant) -> None:
    plant.export()
    before = plant.frame(1).filter(pl.col("tag") == DP)
    plant.export(before.with_columns(pl.col("value") * 1.01), "corrected.parquet")


GOOD = played(lambda plant: plant.export())
NOTHING = played(lambda plant: None)
NIGHTS = (
    Night("none", GOOD),
    Night("none again", GOOD),
    Night("no export", NOTHING, 3, ("No data newer than",), ()),
    Night("still none of that day", GOOD, 8, ("no usable data on this day",), (1, 0)),
    Night("which comes two nights late", played(_late), 0, (), (2, 0)),
    Night(
        "truncated",
        played(lambda p: p.text(csv(p.frame())[:3_000_000])),
        8,
        (".csv",),
        mend=lambda p: p.export(),
    ),
    Night("the whole file after it", GOOD, 0, (), (1, 0)),
    Night("refused", beside("odd.csv", b"a;b\n1;2\n"), 3, ("odd.csv",), mend=removed("odd.csv")),
    Night("empty file", beside("none.csv", b""), 3, ("none.csv",), mend=removed("none.csv")),
    Night(
        "damaged archive",
        beside("odd.zip", b"PK\x03\x04 no archive"),
        3,
        ("odd.zip",),
        mend=removed("odd.zip"),
    ),
    Night(
        "the same file under another name",
        played(lambda p: shutil.copy2(p.export(), p.inbox / f"again_{p.day}.parquet")),
        0,
        ("again_",),
    ),
    Night("corrected values of the day before", played(_corrected), 0, (), (1, 0)),
    Night("a tag missing", changed(lambda f: f.filter(pl.col("tag") != DP)), 8, (DP,)),
    Night(
        "a tag renamed",
        changed(lambda f: f.with_columns(pl.col("tag").replace(HEADER, "F1.NEW"))),
        8,
        (HEADER,),
    ),
    Night("header at exactly 0", changed(of_tag(HEADER, pl.lit(0.0))), 0, ("No air",)),
    Night("NaN all day", changed(of_tag(DP, pl.lit(float("nan")))), 8, (DP,)),
    Night("a backup", _back_up),
    Night("disk full", _full_disk, 2, ("disk has room",), ()),
    Night("disk with room again", GOOD, 0, (), (1, 0)),
    Night("store damaged", _damaged, 2, ("damaged", "backup"), (), mend=_restore),
    Night("store of the backup", GOOD, 0, (), (3, 2, 1, 0)),
    Night("killed", _stopped(signal.SIGKILL), -9, (), ()),
    Night("after the kill", GOOD, 0, (), (1, 0)),
    Night("stopped", _stopped(signal.SIGTERM), 143, ("Stopped.",), ()),
    Night("two runs at once", _two_at_once, 0, ("Another rowcall run is at work",), (1, 0)),
    Night("mail server down", _no_mail_server, 5, ("could not be mailed",)),
    Night("one mailbox refused", _mail(refuse={READERS[0]}), 5, ("refused for", READERS[0])),
    Night("mail server hangs up", _mail(drop_at_rcpt=True), 5, ("connection lost",)),
    Night("hangs up after the mail", _mail(drop_after_data=True), 5, ("is not known",)),
    Night(
        "clock of the historian an hour off",
        changed(lambda f: f.with_columns(pl.col("time") + HOUR)),
        3,  # what is not known of a mail is said on the two nights after
    ),
    Night("a row dated 2000", changed(_dated_2000), 3, ("rows set aside",)),
    Night("a file name that is no text", played(_odd_name)),
    Night("a mistake in the site file", _mistake, 2, ("bag_per_row",), (), mend=_mistake_mended),
    Night("site file mended", GOOD, 0, (), (1, 0)),
    Night(
        "inbox gone",
        played(_inbox_gone),
        3,
        ("the inbox folder does not exist",),
        (),
        mend=_inbox_back,
    ),
    Night("inbox back, a day lost by the historian", GOOD, 8, ("no usable data",), (1, 0)),
    Night("a report deleted", played(_report_deleted), 3, ("is gone",), mend=_put_back_report),
    Night(
        "still being written",
        _growing,
        3,  # nothing newer has arrived
        ("waits for the next run",),
        (),
    ),
    Night("none, at the end", GOOD, 0, (), (1, 0)),
)


def problems(plant: Plant, night: Night, said: Said, mailed: bool) -> Iterator[str]:
    """Yield what came out otherwise than it has to, after a night and what mended it."""
    if said.code != night.code:
        yield f"exit code {said.code} instead of {night.code}"
    wanted = sorted([str(plant.day - timedelta(days=n)) for n in night.back] + list(night.also))
    if sorted(said.days) != wanted:
        yield f"reports of {said.days} instead of {wanted}"
    if "Traceback" in said.err or "Traceback" in said.out:
        yield "a traceback"
    mails = "\n".join(message.as_string() for message in plant.box.messages())
    written = said.err + _report(plant)
    for text in night.says:
        if text not in written:
            yield f"no sentence with {text!r}"
        elif mailed and text not in mails:
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


def at_the_end(plant: Plant) -> Iterator[str]:
    """Yield good days that nobody got a report of."""
    days = {FIRST + timedelta(days=n) for n in range(len(NIGHTS))}
    there = {path.name for path in (plant.folder / "reports").iterdir()}
    yield from (f"{day}: no report" for day in sorted(days) if str(day) not in there)


def make_plant(folder: Path) -> Path:
    """Make the plant before its first night."""
    made = make_small_plant(folder / "made")
    plant = folder / "plant"
    (plant / "inbox").mkdir(parents=True)
    shutil.copy(made / "site.toml", plant)
    shutil.copy(max((made / "inbox").iterdir()), plant / "day.parquet")
    return plant


def main() -> int:
    """Play the nights; return 1 where anything came out wrong."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--mailed", action="store_true", help="each trouble must be mailed, too")
    parser.add_argument("--night", type=int, help="this night only, from 1, on a kept --plant")
    parser.add_argument("--plant", type=Path)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="rowcall-month-"))
    here = make_plant(folder) if given.plant is None else folder / "plant"
    if given.plant is not None:
        shutil.copytree(given.plant, here)
    wrong = 0
    with serve(Mailbox(), Authority(folder), "starttls") as port:
        pass  # only to find a free one
    if given.plant is None:
        with_mail(here, port)
        site = (here / "site.toml").read_text(encoding="utf-8")
        (here / "site.toml").write_text(f'[log]\nfile = "log.txt"\n{site}', encoding="utf-8")
    else:
        port = int((given.plant / "site.toml").read_text("utf-8").split("port = ")[1].split()[0])
    plant = Plant(here, Mailbox(), Authority(folder), port)
    plant.serve_mail()
    with plant.server:
        for number, night in enumerate(NIGHTS, start=1):
            if given.night in (None, number):
                plant.day = FIRST + timedelta(days=number - 1)
                wrong += not played_well(plant, number, night, folder, given.mailed)
    if given.night is None:
        for text in at_the_end(plant):
            wrong += 1
            print(f"WRONG at the end: {text}")
    n_nights = 1 if given.night else len(NIGHTS)
    print(f"{n_nights} nights, {wrong} of them wrong" + f"; they are in {folder}" * bool(wrong))
    if not wrong:
        shutil.rmtree(folder)
    return 1 if wrong else 0


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


if __name__ == "__main__":
    sys.exit(main())
