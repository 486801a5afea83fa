"""What a nightly run keeps of a day reaches its pictures: stacks, and the rows' own history."""

from __future__ import annotations

from pathlib import Path

from helpers.night_runs import night
from helpers.small_plant import copy_plant, make_small_plant


def test_a_silent_row_is_drawn_against_its_peers_and_dated(tmp_path: Path) -> None:
    plant = copy_plant(make_small_plant(tmp_path / "made"), tmp_path / "plant", days=2)
    _, report = sorted(night(plant).reports)
    assert (report / "stacks-F1.png").read_bytes().startswith(b"\x89PNG")
    text = (report / "rowcall-2026-03-29.md").read_text(encoding="utf-8")
    assert "Stacked pulses of F1: compartment 1, row 2 (silent)" in text
    assert "Its pulses against the peers': the picture of stacked pulses below" in text
    assert "Compartment 1, row 2 silent since 28 Mar." in text
