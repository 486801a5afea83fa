"""The picture of a start: drawn where there is one, with the dew points that are known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from helpers import report_days

from rowcall.model import START_COLUMNS
from rowcall_reports.figures.canvas import house_style
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.start_curves import draw_starts
from rowcall_reports.prepared import PreparedDay, prepare

START: dict[str, Any] = {"kind": "start", "begin_s": 21600.0, "end_s": 23400.0, "water_s": 540.0}


def with_starts(n: int, **house: Any) -> PreparedDay:
    """Return the kiln's day with so many starts; its gas warms from 20 to 120 degC."""
    prepared = prepare(report_days.report()).baghouses[0]
    day = prepared.day
    minute = np.arange(1440)
    inlet = np.clip(20.0 + (minute - 360), 20.0, 120.0)
    minutes = pl.DataFrame({"minute": minute, "state": "running", "inlet_temperature_c": inlet})
    starts = pl.DataFrame([START] * n, schema=START_COLUMNS)
    changed = day.baghouse.model_copy(update=house)
    return replace(prepared, day=replace(day, baghouse=changed, minutes=minutes, starts=starts))


def drawn(prepared: PreparedDay) -> Picture:
    with house_style():
        picture = draw_starts(prepared)
    assert picture is not None
    return picture


def test_a_start_is_drawn_against_the_dew_points() -> None:
    picture = drawn(with_starts(1, gas_moisture=0.1, gas_so3=10e-6))
    assert picture.name == "starts-BH1.png"
    assert "9 min below the water dew point" in picture.alt
    assert "acid" not in picture.alt  # its minutes are not known
    assert "Band: acid dew point" in picture.caption


def test_what_the_site_file_lacks_is_named() -> None:
    picture = drawn(with_starts(1, gas_moisture=None))
    assert "gas_moisture" in picture.caption
    assert "Dashed" not in picture.caption


@pytest.mark.parametrize(("n", "n_panels"), [(2, 2), (5, 3)])
def test_only_the_first_starts_of_many_are_drawn(n: int, n_panels: int) -> None:
    assert drawn(with_starts(n)).alt.count("gas from") == n_panels


def test_a_day_without_a_start_has_no_picture() -> None:
    with house_style():
        assert draw_starts(with_starts(0)) is None


def test_the_same_start_gives_the_same_bytes() -> None:
    assert drawn(with_starts(1)).png == drawn(with_starts(1)).png
