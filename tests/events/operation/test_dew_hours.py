"""Dew points by hour: of tags where there are some, else of the site file."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.gas_days import ACID_C, DAY_S, WATER_C, house

from rowcall.events.operation.dew_hours import at_seconds, dew_hours
from rowcall.gas.dew_points import water_dew_point_c
from rowcall.model import Signal
from rowcall.site import Role

AT = np.arange(0.0, DAY_S, 60.0)
NOON_S = 43_200.0
MOISTURE = (Role.GAS_MOISTURE, 0, 0)


def tag(role: Role, morning: float, afternoon: float) -> dict[tuple[Role, int, int], Signal]:
    return {(role, 0, 0): Signal(AT, np.where(AT < NOON_S, morning, afternoon))}


def test_the_site_file_holds_all_day_without_a_tag() -> None:
    dew = dew_hours(house(), {}, DAY_S)
    assert dew.water_c == pytest.approx(np.full(24, WATER_C), abs=0.05)
    assert dew.acid_c == pytest.approx(np.full(24, ACID_C), abs=0.05)
    assert not dew.by_tag


def test_moisture_moves_both_dew_points_by_the_hour() -> None:
    dew = dew_hours(house(), tag(Role.GAS_MOISTURE, 0.1, 0.2), DAY_S)
    assert dew.by_tag
    assert dew.water_c[11] == pytest.approx(WATER_C, abs=0.05)
    assert dew.water_c[12] == pytest.approx(water_dew_point_c(0.2))
    assert dew.acid_c[12] == pytest.approx(143.34, abs=0.05)  # 20 % H2O, 10 ppm: published forms
    assert at_seconds(dew.water_c, 86_400)[[43_199, 43_200]] == pytest.approx(dew.water_c[11:13])


def test_hours_without_a_value_fall_back_to_the_site_file() -> None:
    late = {MOISTURE: Signal(AT[AT >= NOON_S], np.full(720, 0.2))}
    assert dew_hours(house(), late, DAY_S).water_c[0] == pytest.approx(WATER_C, abs=0.05)
    assert np.isnan(dew_hours(house(gas_moisture=None), late, DAY_S).water_c[0])


def test_a_reading_of_zero_is_no_moisture() -> None:
    dew = dew_hours(house(gas_moisture=None), tag(Role.GAS_MOISTURE, 0.0, 0.1), DAY_S)
    assert np.isnan(dew.water_c[0])
    assert dew.water_c[23] == pytest.approx(WATER_C, abs=0.05)


def test_so3_gives_the_acid_dew_point_and_so2_only_with_its_share() -> None:
    plain = house(gas_so3=None)
    so3 = dew_hours(plain, tag(Role.SO3, 1e-6, 100e-6), DAY_S)
    assert so3.acid_c[[0, 23]] == pytest.approx([115.51, 159.44], abs=0.05)
    so2 = tag(Role.SO2, 1000e-6, 1000e-6)
    assert np.isnan(dew_hours(plain, so2, DAY_S).acid_c).all()
    with_share = house(gas_so3=None, so3_per_so2=0.01)
    assert dew_hours(with_share, so2, DAY_S).acid_c[0] == pytest.approx(ACID_C, abs=0.05)
    both = {**so2, **tag(Role.SO3, 100e-6, 100e-6)}
    assert dew_hours(with_share, both, DAY_S).acid_c[0] == pytest.approx(159.44, abs=0.05)
