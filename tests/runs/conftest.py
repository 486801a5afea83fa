"""Nightly runs draw stand-ins for their pictures, save where a module is about pictures."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.nights.stand_ins import stand_ins

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
