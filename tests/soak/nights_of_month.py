"""The nights of the month, one trouble each."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
from helpers.nights.night_runs import READERS
from soak.nights_player import HOUR, LONGEST_S, Night, Plant, Said, ended

DP, HEADER = "F1.PDT-100", "F1.PT-110"


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
    size = plant.store.stat().st_size
    with plant.store.open("r+b") as file:  # all but the head: half may hold nothing that is read
        file.seek(size // 8)
        file.write(os.urandom(size - size // 8))
    return plant.run()


def _restore(plant: Plant) -> None:
    plant.store.with_name(f"{plant.store.name}.wal").unlink(missing_ok=True)
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
    Night(
        "still none of that day",
        GOOD,
        8,
        ("no usable data on this day",),
        (1, 0),
        mailed=("There is no data for this day",),
    ),
    # The day between looks back on the late one.
    Night("which comes two nights late", played(_late), 0, (), (2, 1, 0)),
    Night(
        "truncated",
        played(lambda p: p.text((whole := csv(p.frame()))[: len(whole) * 2 // 5])),
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
        mailed=(),  # nothing is amiss
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
    Night("stopped", _stopped(signal.SIGTERM), 143, ("Stopped.",), (), mailed=()),
    Night(
        "two runs at once",
        _two_at_once,
        0,
        ("Another rowcall run is at work",),
        (1, 0),
        mailed=(),
    ),
    Night("mail server down", _no_mail_server, 5, ("could not be mailed",), mailed=()),
    Night(
        "one mailbox refused",
        _mail(refuse={READERS[0]}),
        5,
        ("refused for", READERS[0]),
        mailed=(),
    ),
    Night("mail server hangs up", _mail(drop_at_rcpt=True), 5, ("connection lost",), mailed=()),
    Night(
        "hangs up after the mail",
        _mail(drop_after_data=True),
        5,
        ("is not known",),
        mailed=(),
    ),
    Night(
        "clock of the historian an hour off",
        changed(lambda f: f.with_columns(pl.col("time") + HOUR)),
        3,  # what is not known of a mail is said on the two nights after
    ),
    Night("a row dated 2000", changed(_dated_2000), 3, ("rows set aside",), mailed=()),
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
    Night(
        "inbox back, a day lost by the historian",
        GOOD,
        8,
        ("no usable data",),
        (1, 0),
        mailed=("There is no data for this day",),
    ),
    Night("a report deleted", played(_report_deleted), 3, ("is gone",), mend=_put_back_report),
    Night(
        "still being written",
        _growing,
        3,  # nothing newer has arrived
        ("waits for the next run",),
        (),
        mailed=(),
    ),
    Night("none, at the end", GOOD, 0, (), (1, 0)),
)
