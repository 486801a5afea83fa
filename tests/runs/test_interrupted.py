"""Whatever interrupts a night, the next run leaves everything as if nothing had happened.

Kills by the hundred at instants drawn by chance are `tests/soak/kill_nightly.py`.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import READERS, with_mail
from helpers.nights.small_plant import DAYS, MORNING, copy_plant
from soak.killing import DIED, Death, Kill, run_dying, run_killed
from soak.portrait import Portrait, differences, portrait

from rowcall.cli import Exit, main
from rowcall.runs import nightly
from rowcall.runs.nightly import run_nightly
from rowcall.runs.rerun import run_rerun
from rowcall.runs.result import RunResult
from rowcall.site_file import read_site
from rowcall.store.nights.said import StoreOutbox

pytestmark = pytest.mark.sparse_days
DEATH_AT_THE_END = Death("rowcall.runs.nightly", "mail_night", 1)  # all is in the log only
HOLD = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); input()"


@pytest.fixture(scope="module")
def undisturbed(
    judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    return judged(tmp_path_factory.mktemp("undisturbed") / "plant", 1)


@pytest.fixture(scope="module")
def wanted(undisturbed: Path) -> Portrait:
    return portrait(undisturbed)


@pytest.fixture
def plant(made: Path, tmp_path: Path) -> Path:
    return copy_plant(made, tmp_path / "plant", days=1)


def night(plant: Path, settle_s: float = 0.0) -> RunResult:
    return run_nightly(
        read_site(plant / "site.toml"),
        now=MORNING,
        wait_s=0.0,
        settle_s=settle_s,
        progress=lambda text: None,
    )


def export_of(plant: Path) -> Path:
    return next((plant / "inbox").iterdir())


def test_runs_killed_from_outside_leave_no_trace(
    plant: Path, tmp_path: Path, wanted: Portrait
) -> None:
    for moment in ("write-ahead log appears", "judging begins"):
        run_killed(plant, tmp_path / "log", Kill(moment, 0.0))
    night(plant)
    assert differences(portrait(plant), wanted) == []


def test_runs_that_die_one_after_another_leave_no_trace(
    plant: Path, tmp_path: Path, wanted: Portrait
) -> None:
    for death in (
        Death("pathlib:Path", "rename", 1),  # the store is made, and not yet in place
        Death("pathlib:Path", "rename", 1),  # the report is built, and not yet in place
        Death("rowcall.runs.record", "save_day", 1),
        DEATH_AT_THE_END,
    ):
        assert run_dying(plant, death, tmp_path / "log") == DIED
    assert night(plant).reports == []
    assert differences(portrait(plant), wanted) == []


def test_a_new_revision_is_one_however_often_its_run_died(
    undisturbed: Path, tmp_path: Path
) -> None:
    plants = [tmp_path / name for name in ("disturbed", "undisturbed")]
    for plant in plants:
        shutil.copytree(undisturbed, plant)
        frame = pl.read_parquet(export_of(plant)).with_columns(pl.col("value") * 1.01)
        frame.gather_every(7).write_parquet(plant / "inbox" / "corrected.parquet")
    moved_away = Death("pathlib:Path", "rename", 2)  # the old report is, the new not yet in place
    for death in (moved_away, Death("os", "rmdir", 1)):
        assert run_dying(plants[0], death, tmp_path / "log") == DIED
    for plant in plants:
        (report,) = night(plant).reports
        assert "Revision 2" in next(report.glob("rowcall-*.md")).read_text(encoding="utf-8")
    assert differences(*map(portrait, plants)) == []


def test_a_run_that_dies_before_the_days_after_a_corrected_one_leaves_them_as_they_are(
    judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    """What is said of the night stands in the corrected day's report, not in theirs too."""
    plants = [judged(tmp_path / name, 2) for name in ("disturbed", "undisturbed")]
    for plant in plants:
        frame = pl.read_parquet(plant / "inbox" / f"F1_{DAYS[0]}.parquet")
        corrected = frame.with_columns(pl.col("value") * 1.01).gather_every(7)
        corrected.write_parquet(plant / "inbox" / "corrected.parquet")
    saved_one = Death("rowcall.runs.record", "save_day", 2)
    assert run_dying(plants[0], saved_one, tmp_path / "log") == DIED
    for plant in plants:
        night(plant)
    assert differences(*map(portrait, plants)) == []


def test_what_a_killed_run_left_behind_blocks_nobody(plant: Path, wanted: Portrait) -> None:
    """A lock file without an owner, and a store torn while its headers were written."""
    (plant / "rowcall.duckdb.lock").write_text("4711\n")
    (plant / "rowcall.duckdb.new").write_bytes(b"\0" * 4096)
    night(plant)
    assert differences(portrait(plant), wanted) == []


def test_a_rerun_reads_what_a_killed_run_left_in_the_log(
    made: Path, tmp_path: Path, undisturbed: Path
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    assert run_dying(plant, DEATH_AT_THE_END, tmp_path / "log") == DIED
    first = DAYS[0]
    rerun = run_rerun(
        read_site(plant / "site.toml"),
        first=first,
        last=first,
        folder=tmp_path / "trial",
        settings={},
        now=MORNING,
        wait_s=0.0,
        progress=lambda text: None,
    )
    (report,) = rerun.reports
    nightly_report = undisturbed / "reports" / first.isoformat()
    assert (report / "findings.jsonl").read_bytes() == (
        nightly_report / "findings.jsonl"
    ).read_bytes()


def test_a_store_held_by_another_program(
    undisturbed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = tmp_path / "plant"
    shutil.copytree(undisturbed, plant)
    before = portrait(plant)
    (plant / "inbox" / "more.csv").write_text("time,tag,value\n2026-03-29 10:00:00,F1.X,1\n")
    command = ["nightly", "--site", str(plant / "site.toml"), "--settle", "0"]
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(plant / "rowcall.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "open"
        assert main(command) == Exit.NOT_DONE
        other.kill()
    assert "another process has the store open; wait until it has ended" in capsys.readouterr().err
    (plant / "inbox" / "more.csv").unlink()
    assert differences(portrait(plant), before) == []


def test_a_growing_file_waits_until_it_has_settled(plant: Path, wanted: Portrait) -> None:
    export = export_of(plant)
    whole = export.read_bytes()
    for part in (whole[: len(whole) // 2], whole):
        export.write_bytes(part)
        written = (MORNING - timedelta(seconds=2)).timestamp()
        os.utime(export, (written, written))
        result = night(plant, settle_s=5.0)
        assert result.reports == []
        assert any("waits for the next run" in text for text in result.unusable)
    os.utime(export, (written - 10.0, written - 10.0))
    assert len(night(plant, settle_s=5.0).reports) == 1
    assert differences(portrait(plant), wanted) == []


def test_a_file_growing_since_the_run_began_waits(
    plant: Path, wanted: Portrait, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A minute went by with waiting for another run, and the export is written to all the time."""
    written = (MORNING + timedelta(seconds=58)).timestamp()
    os.utime(export_of(plant), (written, written))
    with monkeypatch.context() as patch:
        patch.setattr(nightly, "monotonic", chain([0.0], repeat(60.0)).__next__)
        assert any("waits for the next run" in text for text in night(plant, 5.0).unusable)
    night(plant)
    assert differences(portrait(plant), wanted) == []


def test_parquet_without_its_end_is_refused_until_it_is_whole(
    plant: Path, wanted: Portrait
) -> None:
    export = export_of(plant)
    whole = export.read_bytes()
    export.write_bytes(whole[:-500])
    assert any("may be cut off" in text for text in night(plant).notices)
    export.write_bytes(whole)
    night(plant)
    assert differences(portrait(plant), wanted) == []


def dying_at(state: str, count: int, error: BaseException) -> Callable[..., None]:
    """Return a `set_state` that fails once, just after it has kept `state` for the nth time."""
    keep, left = StoreOutbox.set_state, [count]

    def set_state(self: StoreOutbox, *given: Any) -> None:
        keep(self, *given)
        left[0] -= given[-1] == state
        if not left[0]:
            left[0] = -1
            raise error

    return set_state


@pytest.mark.parametrize(
    ("state", "count", "copies"),
    [("sending", 1, [0, 1]), ("sending", 2, [0, 0]), ("sent", 1, [1, 1]), ("sent", 2, [1, 1])],
)
def test_killed_while_mailing_nobody_gets_two(
    undisturbed: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    state: str,
    count: int,
    copies: list[int],
) -> None:
    """Who has none is told of: whether the mail had left is not known."""
    plant, authority, box = tmp_path / "plant", Authority(tmp_path), Mailbox()
    shutil.copytree(undisturbed, plant)
    for name, value in authority.environment().items():
        monkeypatch.setenv(name, value)
    with serve(box, authority, "starttls") as port:
        with_mail(plant, port)
        with monkeypatch.context() as patch:
            patch.setattr(StoreOutbox, "set_state", dying_at(state, count, KeyboardInterrupt()))
            with pytest.raises(KeyboardInterrupt):
                night(plant)
        told = " ".join(night(plant).not_mailed)
        night(plant)
    assert [box.copies(reader, "Nothing new") for reader in READERS] == copies
    assert all(reader in told for reader, got in zip(READERS, copies, strict=True) if not got)
