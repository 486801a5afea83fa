"""What a nightly run keeps of a day reaches its pictures: stacks, and the rows' own history."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from helpers.day_pages import read_pages
from helpers.nights.night_runs import night, tree
from helpers.nights.small_plant import MORNING, copy_plant

pytestmark = [pytest.mark.real_pictures, pytest.mark.finds_each_time]


@pytest.fixture(scope="module")
def plant(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plant after a night that judged two days."""
    plant = copy_plant(made, tmp_path_factory.mktemp("pictured") / "plant", days=2)
    night(plant)
    return plant


def test_same_input_and_settings_give_the_same_bytes(
    made: Path, plant: Path, tmp_path: Path
) -> None:
    again = copy_plant(made, tmp_path / "again", days=2)
    night(again, now=MORNING + timedelta(hours=3))
    files = tree(plant / "reports")
    assert files == tree(again / "reports")
    assert {Path(name).suffix for name in files} >= {".md", ".png", ".jsonl", ".parquet"}


def test_a_silent_row_is_drawn_against_its_peers_and_dated(plant: Path) -> None:
    report = max((plant / "reports").glob("*-*-*"))
    assert (report / "stacks-F1.png").read_bytes().startswith(b"\x89PNG")
    text = read_pages(report)
    assert "Stacked pulses of F1: compartment 1, row 2 (silent)" in text
    assert "its pulses against the peers': the picture of stacked pulses there" in text
    assert "Compartment 1, row 2 silent since 28 Mar." in text
