"""What a nightly run keeps of a day reaches its pictures: stacks, and the rows' own history."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from helpers.day_pages import read_pages
from helpers.nights.night_runs import night, tree
from helpers.nights.small_plant import MORNING, copy_plant

pytestmark = [pytest.mark.real_pictures, pytest.mark.finds_each_time]


def test_same_input_and_settings_give_the_same_bytes(made: Path, tmp_path: Path) -> None:
    trees = []
    for name, now in (("a", MORNING), ("b", MORNING + timedelta(hours=3))):
        plant = copy_plant(made, tmp_path / name, days=2)
        night(plant, now=now)
        trees.append(tree(plant / "reports"))
    assert trees[0] == trees[1]
    assert {Path(name).suffix for name in trees[0]} >= {".md", ".png", ".jsonl", ".parquet"}


def test_a_silent_row_is_drawn_against_its_peers_and_dated(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=2)
    _, report = sorted(night(plant).reports)
    assert (report / "stacks-F1.png").read_bytes().startswith(b"\x89PNG")
    text = read_pages(report)
    assert "Stacked pulses of F1: compartment 1, row 2 (silent)" in text
    assert "its pulses against the peers': the picture of stacked pulses there" in text
    assert "Compartment 1, row 2 silent since 28 Mar." in text
