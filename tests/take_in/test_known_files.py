"""Files taken in are not opened again; of two that contradict the one written later counts."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pytest
from helpers.exports import (
    NOW,
    Sample,
    counts,
    long_csv,
    plant_site,
    samples,
    store_of,
    stored,
)

from rowcall.take_in import Outcome, TakenIn, find_exports, take_in
from rowcall.take_in.files.sources import Source

ROWS = samples(30)
CHANGED: list[Sample] = [(tag, time, value + 1, quality) for tag, time, value, quality in ROWS]


def write(folder: Path, name: str, rows: Iterable[Sample], written_s: int = 1_700_000_000) -> Path:
    path = folder / "inbox" / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(long_csv(rows), encoding="utf-8")
    os.utime(path, (written_s, written_s))
    return path


def night(folder: Path) -> tuple[list[TakenIn], list[str]]:
    site = plant_site().model_copy(update={"base": folder})
    said: list[str] = []
    with store_of(folder) as store:
        paths = find_exports(site.inbox)
        return take_in(store, site, paths, now=NOW, progress=said.append), said


def test_a_file_taken_in_and_left_as_it_was_is_not_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, "a.csv", ROWS)
    write(tmp_path, "copy.csv", ROWS)
    with zipfile.ZipFile(tmp_path / "inbox/c.zip", "w") as archive:
        archive.writestr("one.csv", long_csv(ROWS[:9]))
        archive.writestr("two.csv", long_csv(ROWS[:7]))
    first, _ = night(tmp_path)
    assert [str(one.outcome) for one in first] == ["stored", "stored", "stored", "known"]

    def fail(*_: object) -> None:
        raise AssertionError("opened again")

    with monkeypatch.context() as patch:
        patch.setattr(Source, "sha256", fail)
        patch.setattr("rowcall.take_in.run.sources_in", fail)
        second, said = night(tmp_path)
    assert {result.outcome for result in second} == {Outcome.KNOWN}
    assert all(result.note is not None for result in second)
    assert said == ["3 files already taken in."]


def test_a_file_touched_but_not_changed_is_known_and_then_not_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, "a.csv", ROWS)
    night(tmp_path)
    os.utime(path, (1_700_000_100, 1_700_000_100))
    (touched,), said = night(tmp_path)
    assert (touched.outcome, said[-1]) == (Outcome.KNOWN, "1 file already taken in.")
    monkeypatch.setattr("rowcall.take_in.run.sources_in", None)
    assert night(tmp_path)[0] == [touched]


def test_an_archive_of_which_a_member_was_refused_is_opened_again(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    with zipfile.ZipFile(tmp_path / "inbox/c.zip", "w") as archive:
        archive.writestr("one.csv", long_csv(ROWS))
        archive.writestr("two.csv", "nothing")
    for _ in range(2):
        assert [result.outcome for result in night(tmp_path)[0]][1] is Outcome.REFUSED


@pytest.mark.parametrize("order", ["ab", "ba"])
@pytest.mark.parametrize("nights", [1, 2])
def test_of_two_files_that_contradict_the_one_written_later_counts(
    tmp_path: Path, order: str, nights: int
) -> None:
    """Whatever their names, and whichever is read first."""
    early = f"{order[0]}.csv", ROWS, 1_700_000_000
    late = f"{order[1]}.csv", CHANGED, 1_700_000_100
    results: dict[str, TakenIn] = {}
    for one in sorted((early, late)):
        write(tmp_path, *one)
        if nights == 2 or one[0] == "b.csv":
            results |= {str(result.path.name): result for result in night(tmp_path)[0]}
    assert stored(tmp_path) == sorted((tag, time, value, 0) for tag, time, value, _ in CHANGED)
    said = results["b.csv"].message
    assert "a.csv" in said
    assert "written later" in said
    wanted = (60, 0, 60, 0, 0) if order == "ab" else (60, 0, 0, 60, 0)
    assert counts(results["b.csv"]) == wanted


def test_a_late_copy_of_an_old_export_leaves_later_values(tmp_path: Path) -> None:
    """Also those that agreed with the first export, which the later one confirmed."""
    write(tmp_path, "a.csv", ROWS, 1_700_000_000)
    night(tmp_path)
    write(tmp_path, "b.csv", ROWS[:40], 1_700_000_200)
    night(tmp_path)
    write(tmp_path, "c.csv", CHANGED, 1_700_000_100)
    night(tmp_path)
    held = [value for _, _, value, _ in stored(tmp_path)][:30]
    assert held == [row[2] for row in (*ROWS[:40:2], *CHANGED[40::2])]


def test_rows_set_aside_stand_beside_what_was_stored(tmp_path: Path) -> None:
    bad = [("DP", time, value, "odd") for _, time, value, _ in ROWS[:1]]
    write(tmp_path, "few.csv", [*bad, *samples(200, ("A",))])
    write(tmp_path, "many.csv", [*bad, *samples(40, ("B",))])
    write(tmp_path, "none.csv", samples(40, ("C",)))
    results, said = night(tmp_path)
    assert [result.has_many_aside for result in results] == [False, True, False]
    assert said[1::2] == [
        "few.csv: stored, 1 row set aside",
        "many.csv: stored; 1 of 41 rows set aside.",
        "none.csv: stored, 0 rows set aside",
    ]


def test_rows_set_aside_for_good_are_not_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only such as lay ahead of the clock may come due; asking loads what reads exports."""
    write(tmp_path, "a.csv", [("DP", time, value, "odd") for _, time, value, _ in ROWS[:1]] + ROWS)
    night(tmp_path)
    monkeypatch.setattr("rowcall.take_in.run._is_due", None)
    ((one,), _) = night(tmp_path)
    assert (one.outcome, one.note and one.note.set_aside) == (Outcome.KNOWN, 1)


def test_few_rows_set_aside_stand_beside_whatever_else_is_said(tmp_path: Path) -> None:
    rows = samples(200, ("A",))
    bad = [("DP", time, value, "odd") for _, time, value, _ in ROWS[:1]]
    write(tmp_path, "back.csv", [*rows[100:], *bad, *rows[:100]])
    _, said = night(tmp_path)
    assert said[1].startswith("back.csv: stored; 1 of 201 rows set aside; the time runs back")


def test_a_link_out_of_the_inbox_is_not_followed(tmp_path: Path) -> None:
    write(tmp_path, "a.csv", ROWS)
    (tmp_path / "outside.csv").write_text(long_csv(CHANGED), encoding="utf-8")
    (tmp_path / "inbox/b.csv").symlink_to(tmp_path / "outside.csv")
    (tmp_path / "inbox/c.csv").symlink_to(tmp_path / "inbox/a.csv")
    results, _ = night(tmp_path)
    assert [str(result.outcome) for result in results] == ["stored", "refused", "known"]
    assert results[1].message.startswith("b.csv: a link that leads out of the inbox")
