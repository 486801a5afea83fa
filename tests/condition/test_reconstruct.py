"""Between its points a tag is what its kind of sampling says, and never beyond a gap."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.conditioning import DAY_S, START, conditioned, live, only, samples, tag
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from rowcall.condition.minutes import minute_means
from rowcall.condition.reconstruct import compressed_at, held_at, linear_at
from rowcall.condition.sampling import (
    LONGEST_BRIDGE_S,
    LONGEST_COMPRESSED_S,
    LONGEST_STEP_S,
    reach,
)
from rowcall.model import Floats
from rowcall.site import Sample

POINTS = st.lists(
    st.tuples(st.integers(1, 900), st.floats(-1e3, 1e3)), min_size=1, max_size=20
)  # time to the point before, and value


def points_of(drawn: list[tuple[int, float]]) -> tuple[Floats, Floats]:
    time_s = np.cumsum([step for step, _ in drawn]).astype(np.float64)
    return time_s, np.array([value for _, value in drawn])


@given(drawn=POINTS, longest_s=st.integers(1, 1000))
@settings(max_examples=75, deadline=None)
def test_a_line_is_numpy_s_within_reach_and_nothing_beyond(
    drawn: list[tuple[int, float]], longest_s: int
) -> None:
    time_s, value = points_of(drawn)
    at_s = np.arange(-5.0, time_s[-1] + 5.0, 3.5)
    seen = linear_at(time_s, value, at_s, longest_s=longest_s)
    for at, one in zip(at_s, seen, strict=True):
        before, after = time_s[time_s <= at], time_s[time_s >= at]
        if before.size and after.size and after[0] - before[-1] <= longest_s:
            assert one == pytest.approx(np.interp(at, time_s, value))
        else:
            assert np.isnan(one)


@given(drawn=POINTS, longest_s=st.integers(1, 1000))
@settings(max_examples=75, deadline=None)
def test_a_held_value_is_scipy_s_within_reach_and_nothing_beyond(
    drawn: list[tuple[int, float]], longest_s: int
) -> None:
    time_s, value = points_of([*drawn, (900, 0.0)])
    at_s = np.arange(-5.0, time_s[-1] + 1.0, 3.5)
    held = interp1d(time_s, value, kind="previous", bounds_error=False)(at_s)
    age = at_s - time_s[np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, None)]
    wanted = np.where(age <= longest_s, held, np.nan)
    seen = held_at(time_s, value, at_s, longest_s=longest_s)
    inside = at_s <= time_s[-1]  # after its last point scipy ends, and a held value does not
    np.testing.assert_array_equal(seen[inside], wanted[inside])


def test_a_value_is_held_after_the_last_point_and_not_before_the_first() -> None:
    seen = held_at(
        np.array([10.0]), np.array([3.0]), np.array([9.9, 10.0, 40.0, 40.1]), longest_s=30
    )
    np.testing.assert_array_equal(seen, [np.nan, 3.0, 3.0, np.nan])


@pytest.mark.parametrize("reconstruct", [linear_at, held_at])
def test_without_points_nothing_is_known(reconstruct: object) -> None:
    none = np.empty(0)
    assert callable(reconstruct)
    assert np.isnan(reconstruct(none, none, np.array([1.0, 2.0]), longest_s=9.0)).all()


def line_tested(time_s: Floats, value: Floats, dead_band: float) -> list[int]:
    """Compress: keep the sample before the first line from the last point that misses one."""
    kept, low, high = [0], -np.inf, np.inf
    for place in range(1, time_s.size):
        span = time_s[place] - time_s[kept[-1]]
        slope = (value[place] - value[kept[-1]]) / span
        if not low <= slope <= high:
            kept.append(place - 1)
            span = time_s[place] - time_s[kept[-1]]
            slope = (value[place] - value[kept[-1]]) / span
            low, high = -np.inf, np.inf
        low, high = max(low, slope - dead_band / span), min(high, slope + dead_band / span)
    return [*kept, time_s.size - 1]


def doors_tested(time_s: Floats, value: Floats, dead_band: float) -> list[int]:
    """Compress: keep the sample before the two doors stand open beyond parallel."""
    kept, upper, lower = [0], -np.inf, np.inf
    for place in range(1, time_s.size):
        span, rise = time_s[place] - time_s[kept[-1]], value[place] - value[kept[-1]]
        upper, lower = max(upper, (rise - dead_band) / span), min(lower, (rise + dead_band) / span)
        if upper > lower:
            kept.append(place - 1)
            span, rise = time_s[place] - time_s[kept[-1]], value[place] - value[kept[-1]]
            upper, lower = (rise - dead_band) / span, (rise + dead_band) / span
    return [*kept, time_s.size - 1]


@given(
    steps=st.lists(st.floats(-2.0, 2.0), min_size=3, max_size=80),
    dead_band=st.floats(0.01, 3.0),
)
@settings(max_examples=100, deadline=None)
def test_a_thinned_tag_lies_within_its_dead_band_of_what_was_sampled(
    steps: list[float], dead_band: float
) -> None:
    """The bound is shown on two ways of compressing, written from memory of the method."""
    value = np.cumsum(steps)
    time_s = 10.0 * np.arange(value.size)
    for compress, factor in ((line_tested, 1.0), (doors_tested, 2.0)):
        kept = compress(time_s, value, dead_band)
        found = compressed_at(time_s[kept], value[kept], time_s, dead_band=factor * dead_band)
        assert (np.abs(found.value - value) <= found.error + 1e-9).all()
        assert (found.error[kept] == 0.0).all()


def test_without_a_dead_band_no_bound_is_claimed_and_a_gap_has_no_value() -> None:
    time_s = np.array([0.0, 3600.0, 3600.0 + LONGEST_COMPRESSED_S + 1.0])
    found = compressed_at(time_s, np.array([1.0, 3.0, 5.0]), np.array([0.0, 1800.0, 7200.0]))
    np.testing.assert_array_equal(found.value, [1.0, 2.0, np.nan])
    np.testing.assert_array_equal(found.error, [0.0, np.inf, np.nan])


@pytest.mark.parametrize(
    ("sample", "step_s", "gap_s", "bridge_s"),
    [
        (Sample.AT_INTERVALS, 1.0, 60.0, 60.0),
        (Sample.AT_INTERVALS, 30.0, 150.0, 150.0),
        (Sample.AT_INTERVALS, 300.0, 1500.0, LONGEST_BRIDGE_S),
        (Sample.AT_INTERVALS, float("nan"), 60.0, 60.0),
        (Sample.ON_CHANGE, 5.0, LONGEST_STEP_S, 0.0),
        (Sample.THINNED, 5.0, LONGEST_COMPRESSED_S, LONGEST_COMPRESSED_S),
    ],
)
def test_each_kind_of_sampling_has_its_reach(
    sample: Sample, step_s: float, gap_s: float, bridge_s: float
) -> None:
    far = reach(sample, step_s)
    assert (far.gap_s, far.bridge_s) == (gap_s, bridge_s)


def minutes_of(sample: str, time_s: Floats, value: Floats) -> Floats:
    signal, _ = only(conditioned(tag(sample=sample), samples(time_s, value)))
    return minute_means(signal, DAY_S // 60)


def test_of_points_at_intervals_nothing_is_made_up_where_some_are_missing() -> None:
    """Seconds are missing for five minutes: no line is drawn, though ten minutes are near."""
    time_s = np.arange(0.0, DAY_S)
    time_s = time_s[(time_s < 36_000) | (time_s >= 36_300)]
    mean = minutes_of("at intervals", time_s, live(time_s.size))
    assert np.flatnonzero(np.isnan(mean)).tolist() == [600, 601, 602, 603, 604]


def test_a_thinned_tag_runs_straight_for_hours_and_not_across_a_gap() -> None:
    hours = np.array([0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 21.0, 24.0])
    mean = minutes_of("thinned", np.minimum(3600.0 * hours, DAY_S - 1), 5.0 + hours / 10)
    middle = (np.arange(DAY_S // 60) + 0.5) / 60
    in_gap = (middle > 15.0) & (middle < 21.0)
    points = np.isin(np.arange(DAY_S // 60), 60 * hours)
    assert np.isnan(mean[in_gap & ~points]).all()
    straight = ~in_gap & ~points & (middle < 21.0)
    assert mean[straight] == pytest.approx(1e5 * (5.0 + middle[straight] / 10))


def test_a_step_tag_is_held_for_two_days_and_no_longer() -> None:
    before = (int((START.timestamp() - 1.5 * DAY_S) * 1e6), 1.0, 0)
    one = tag(sample="on change")
    points = samples(np.array([0.75 * DAY_S]), np.array([3.0]))
    signal, health = only(conditioned(one, points, before))
    mean = minute_means(signal, DAY_S // 60) / 1e5
    assert (mean[: DAY_S // 120] == 1.0).all()
    assert np.isnan(mean[DAY_S // 120 + 1 : DAY_S // 80]).all()
    assert mean[DAY_S // 80 :] == pytest.approx(3.0)
    assert health.coverage_frac == pytest.approx(0.75)
