"""Nightly runs draw stand-ins for their pictures, save where a module is about pictures."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowcall.day_report import DayReport
from rowcall_reports.figures.picture import Picture, picture_name

PNG = b"\x89PNG\r\n\x1a\n"


def stand_ins(report: DayReport) -> tuple[Picture, ...]:
    """Return one empty picture a baghouse: drawing takes longer than all else of a small night."""
    return tuple(
        Picture(picture_name("dp", day.baghouse.id), PNG, alt="DP.", caption="DP.")
        for day in report.baghouses
    )


@pytest.fixture(scope="module", autouse=True)
def _pictures(request: pytest.FixtureRequest) -> Iterator[None]:
    """Draw in earnest in modules marked `real_pictures` only."""
    with pytest.MonkeyPatch.context() as patch:
        if request.node.get_closest_marker("real_pictures") is None:
            patch.setattr("rowcall_reports.figures.all_pictures.draw", stand_ins)
        yield
