"""Nightly runs draw stand-ins for pictures and study the same day once, save where marked."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from helpers.events_once import studying_once
from helpers.nights.night_runs import night
from helpers.nights.shared import common, made_once
from helpers.nights.small_plant import copy_plant
from helpers.nights.stand_ins import stand_ins

from rowcall.runs import study

CHILD = Path(__file__).parent / "child"


@pytest.fixture(scope="module", autouse=True)
def _pictures(request: pytest.FixtureRequest) -> Iterator[None]:
    """Draw in earnest in modules marked `real_pictures` only, and in processes that they start."""
    with pytest.MonkeyPatch.context() as patch:
        if request.node.get_closest_marker("real_pictures") is None:
            patch.setattr("rowcall_reports.figures.all_pictures.draw", stand_ins)
            tests = str(CHILD.parents[1])
            patch.setenv(
                "PYTHONPATH",
                os.pathsep.join([str(CHILD), tests, *filter(None, [os.environ.get("PYTHONPATH")])]),
            )
        yield


@pytest.fixture(scope="module", autouse=True)
def _days_studied_once(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """Study the same samples once in all processes of this run, save where marked."""
    folder = common(tmp_path_factory) / "days"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        if request.node.get_closest_marker("finds_each_time") is None:
            patch.setattr(study, "study_span", studying_once(folder))
        yield


@pytest.fixture(scope="module")
def judged(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path, int], Path]:
    """Return what copies a small plant whose first night judged so many days into a folder."""

    def copy(folder: Path, days: int) -> Path:
        def first_night(plant: Path) -> None:
            night(copy_plant(made, plant, days=days))

        done = made_once(tmp_path_factory, f"{made.name}-judged-{days}", first_night)
        return Path(shutil.copytree(done, folder))

    return copy
