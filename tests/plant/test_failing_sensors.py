"""Sensors that fail: what the historian gets, against what it would have got."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import islice

import numpy as np
import polars as pl
import pytest
from helpers.scenes import kiln, local

from rowcall_plant import Fault, TagDrifts, TagFrozen, TagsSwapped, TapPlugged, simulate_days

START = local(0, 23)  # an hour is enough, and the day after it begins


@cache
def frame(*faults: Fault, day: int = 0) -> pl.DataFrame:
    plan = replace(kiln(), dp_by_compartment=True)
    made = simulate_days(plan, faults, start=START, days=1, seed=1)
    return next(islice(made, day, None)).frames.analogue


def column(name: str, *faults: Fault, day: int = 0) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return frame(*faults, day=day)[name].to_numpy()


def test_a_drift_is_an_offset_that_grows_with_the_days() -> None:
    fault = TagDrifts(start=START, column="dp_pa", offset=40.0, per_day=24.0)
    off = column("dp_pa", fault) - column("dp_pa")
    assert off[0] == pytest.approx(40.0)
    assert off[1800] == pytest.approx(40.5)
    assert (column("flow_m3_s", fault) == column("flow_m3_s")).all()


def test_swapped_tags_stand_in_each_others_place_from_the_start_on() -> None:
    names = ("inlet_temperature_c", "outlet_temperature_c")
    fault = TagsSwapped(start=local(0, 23, 30), column=names[0], other=names[1])
    for one, other in (names, names[::-1]):
        is_late = np.arange(3600) >= 1800
        assert (column(one, fault)[is_late] == column(other)[is_late]).all()
        assert (column(one, fault)[~is_late] == column(one)[~is_late]).all()


def test_a_plugged_tap_goes_on_over_midnight_by_its_lag() -> None:
    fault = TapPlugged(start=local(0, 23, 10), lag_s=1e9)
    first, second = (column("dp_pa", fault, day=n) for n in (0, 1))
    assert first[:600].std() > 5 * first[700:].std()
    assert abs(second[:3600].mean() - first[700:].mean()) < 10.0
    quick = column("dp_pa", TapPlugged(start=START, lag_s=60.0))
    assert np.corrcoef(quick[600:], column("dp_pa")[600:])[0, 1] > 0.7


def test_a_frozen_tag_keeps_one_value() -> None:
    kept = column("dp_pa", TagFrozen(start=local(0, 23, 10), column="dp_pa"))
    assert len(set(kept[600:].tolist())) == 1


def test_each_compartment_can_have_its_own_dp_of_the_same_gas() -> None:
    one, other = column("dp_1_pa"), column("dp_2_pa")
    assert abs(float(np.mean(one - other))) < 2.0
    assert (one != other).any()
