"""A file that changes while it is read waits, and what an interrupted run left is removed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers.long_exports import LITTLE, PLAIN, long_rows, long_text, taken
from helpers.nights.night_runs import night
from helpers.nights.small_plant import copy_plant
from soak.killing import DIED
from soak.portrait import differences, portrait

from rowcall.cli import main
from rowcall.take_in import Outcome, run
from rowcall.take_in.files import sources
from rowcall.take_in.load import passes, storing
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read import opening

pytestmark = pytest.mark.sparse_days
ROWS = long_rows(600, PLAIN, zone="UTC")
HALF, WHOLE = (long_text(rows).encode() for rows in (ROWS[:700], ROWS))

Change = Callable[[Path], None]


def grow(path: Path) -> None:
    path.write_bytes(WHOLE)


def replace_by_a_new_file(path: Path) -> None:
    """Same size, same time of writing: only the file is another one."""
    was = path.stat()
    new = path.with_suffix(".new")
    new.write_bytes(path.read_bytes().replace(b"0.", b"7."))
    os.utime(new, ns=(was.st_atime_ns, was.st_mtime_ns))
    new.replace(path)


def vanish(path: Path) -> None:
    path.unlink()


def changing_after(
    step: Callable[..., object], path: Path, change: Change
) -> Callable[..., object]:
    """Return a `step` after which the file changes, once."""
    left = [change]

    def do(*given: object) -> object:
        result = step(*given)
        if left:
            left.pop()(path)
        return result

    return do


@pytest.mark.parametrize("change", [grow, replace_by_a_new_file, vanish])
@pytest.mark.parametrize(
    ("memory", "module", "step"),
    [
        (None, opening, "open_export"),
        (LITTLE, storing, "read_through"),
        (LITTLE, passes, "sort_once"),
    ],
)
def test_a_file_that_changes_while_it_is_read_waits(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    change: Change,
    memory: Memory | None,
    module: object,
    step: str,
) -> None:
    """Neither half of it, nor one content under the digest of another, is stored."""
    path = tmp_path / "day.csv"
    path.write_bytes(HALF)
    with monkeypatch.context() as patch:
        patch.setattr(module, step, changing_after(getattr(module, step), path, change))
        result, samples, _ = taken(tmp_path, path, memory)
    assert (result.outcome, samples) == (Outcome.WAITING, [])
    assert "waits for the next run" in result.message
    if path.exists():
        again, samples, _ = taken(tmp_path, path, memory)
        assert again.outcome is Outcome.STORED
        assert again.note is not None
        assert again.note.stored == len(samples) == path.read_bytes().count(b"\n")


def test_a_file_unreadable_because_it_is_half_there_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "day.csv"
    path.write_bytes(b"")
    with monkeypatch.context() as patch:
        patch.setattr(run, "fits", changing_after(sources.fits, path, grow))
        assert taken(tmp_path, path, None)[0].outcome is Outcome.WAITING
    assert taken(tmp_path, path, None)[0].outcome is Outcome.STORED


def test_a_file_that_cannot_be_read_to_its_end_is_no_fault_of_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others go on, where a full disk would end the night."""

    def fail(*_: object) -> None:
        raise OSError(5, "Input/output error")

    path = tmp_path / "day.csv"
    path.write_bytes(WHOLE)
    monkeypatch.setattr(passes, "read_entries", fail)
    result, samples, _ = taken(tmp_path, path, LITTLE)
    assert (result.outcome, samples) == (Outcome.REFUSED, [])
    assert "the file cannot be read (Input/output error)" in result.message


def leave(plant: Path) -> list[Path]:
    """Leave what a run leaves that is killed while, or after, a large export is laid out."""
    left = [plant / f"rowcall.duckdb.staging{ending}" for ending in ("", ".wal")]
    for path in left:
        path.write_bytes(b"left behind")
    return left


def test_what_a_killed_run_left_is_removed_by_whatever_runs_next(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    plant = judged(tmp_path / "plant", 1)
    whole = portrait(plant)
    for export in (plant / "inbox").iterdir():
        export.unlink()
    left = leave(plant)
    night(plant)
    assert not any(path.exists() for path in left)
    left = leave(plant)
    day = ["--from", "2026-03-28", "--to", "2026-03-28", "--out", str(tmp_path / "trial")]
    assert main(["rerun", "--site", str(plant / "site.toml"), *day]) == 0
    assert not any(path.exists() for path in left)
    copy_plant(made, tmp_path / "again", days=1)
    for export in (tmp_path / "again" / "inbox").iterdir():
        export.rename(plant / "inbox" / export.name)
    assert differences(portrait(plant), whole) == []


def test_a_report_is_on_the_disk_before_its_day_counts_as_judged(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a power cut only what was synchronised is sure to be there."""
    plant = copy_plant(made, tmp_path / "plant", days=1)
    synced: list[tuple[int, int]] = []
    sync = os.fsync

    def note(handle: int) -> None:
        sync(handle)
        now = os.fstat(handle)
        synced.append((now.st_ino, now.st_size))

    def judged(*_: object) -> None:
        folder = plant / "reports" / "2026-03-28"
        files = list(folder.iterdir())
        assert len(files) > 4
        for path in files:
            assert (path.stat().st_ino, path.stat().st_size) in synced, path
        inodes = [inode for inode, _ in synced]
        assert {folder.stat().st_ino, folder.parent.stat().st_ino} <= set(inodes)
        assert inodes[-1] == folder.parent.stat().st_ino  # after the renaming
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", note)
    monkeypatch.setattr("rowcall.runs.record.save_day", judged)
    with pytest.raises(KeyboardInterrupt):
        night(plant)


# A nightly run for which every export is a large one, killed just after it is stored.
DYING = """
import os, signal, sys
from rowcall.cli import main
from rowcall.take_in import run
from rowcall.take_in.files import sources
from rowcall.take_in.load import storing
from rowcall.take_in.load.memory import Memory
store = storing.store_export
def store_and_die(*given):
    store(*given)
    os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
storing.store_export = store_and_die
run.Memory = lambda: Memory(whole_bytes=1_000, block_bytes=200_000, slice_rows=200_000)
sys.exit(main(["nightly", "--settle", "0"]))
"""


def test_a_run_that_dies_right_after_a_large_export_was_stored_leaves_no_trace(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    """The staging file lies there complete, and its export is known to the next run."""
    plant = copy_plant(made, tmp_path / "disturbed", days=1)
    died = subprocess.run([sys.executable, "-c", DYING], cwd=plant, check=False)
    assert died.returncode == DIED
    assert list(plant.glob("*.staging"))
    night(plant)
    assert not list(plant.glob("*.staging*"))
    assert differences(portrait(plant), portrait(judged(tmp_path / "undisturbed", 1))) == []
