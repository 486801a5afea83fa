"""Gating: which points may be trusted, and what is said of the others."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.conditioning import DAY_S, START, conditioned, each_second, live, only, samples, tag

from rowcall.condition.sampling import LONGEST_STEP_S
from rowcall.site import Role, Sample, Tag
from rowcall.store.samples import BAD, GOOD, UNCERTAIN

HEADER = (Role.HEADER_PRESSURE, 1, 0)


def test_values_are_multiplied_by_the_scale_of_their_tag() -> None:
    """A historian that stores hundredths of a bar: 600 is 6 bar."""
    scaled = tag(scale=0.01, range=(0.0, 10.0))
    signal, health = only(conditioned(scaled, samples(each_second(), 100.0 * live())))
    assert signal.value == pytest.approx(1e5 * live(), rel=1e-12)
    assert health.problem == ""


def test_only_good_points_pass() -> None:
    quality = np.zeros(DAY_S)
    quality[100:200], quality[200:230] = BAD, UNCERTAIN
    value = live()
    value[300] = np.nan
    signal, health = only(conditioned(tag(), samples(each_second(), value, quality)))
    gone = {*range(100, 230), 300}
    assert signal.time_s.tolist() == [s for s in range(DAY_S) if s not in gone]
    assert (health.n_points, health.n_bad, health.n_out_of_range) == (DAY_S, 131, 0)
    assert health.problem == ""


@pytest.mark.parametrize(
    ("unit", "factor", "offset"),
    [("bar", 1e5, 0.0), ("[psi]", 6894.757, 0.0), ("kPa", 1e3, 0.0)],  # NIST SP 811, psi
)
def test_pressure_comes_out_in_pascal(unit: str, factor: float, offset: float) -> None:
    value = live(level=5.0)
    signal, _ = only(conditioned(tag(unit=unit), samples(each_second(), value)))
    np.testing.assert_allclose(signal.value, value * factor + offset, rtol=1e-7)


def test_temperature_comes_out_in_celsius() -> None:
    one = Tag(role=Role.INLET_TEMPERATURE, tag="T", unit="[degF]")
    value = live(level=400.0, sd=0.5)
    (signal,) = conditioned(one, samples(each_second(), value)).signals.values()
    np.testing.assert_allclose(signal.value, (value - 32) / 1.8, rtol=1e-9)


def test_points_outside_the_range_or_pegged_at_its_top_are_left_out() -> None:
    value = live()
    value[:5] = [9.99, 10.0, 10.3, -0.04, -0.06]  # half a percent of span may be under range
    signal, health = only(conditioned(tag(range=[0, 10]), samples(each_second(), value)))
    assert signal.value[:2] == pytest.approx([9.99e5, -0.04e5])
    assert health.n_out_of_range == 3
    assert signal.time_s[:3].tolist() == [0.0, 3.0, 5.0]


@pytest.mark.parametrize(
    ("role", "unit", "good", "impossible"),
    [
        (Role.HEADER_PRESSURE, "bar", 8.0, 25.0),
        (Role.DP, "kPa", -1.0, -6.0),
        (Role.INLET_TEMPERATURE, "Cel", 900.0, 1300.0),
        (Role.OPACITY, "%", 40.0, 101.0),
    ],
)
def test_without_a_range_only_the_impossible_is_left_out(
    role: Role, unit: str, good: float, impossible: float
) -> None:
    one = Tag(role=role, tag="T", unit=unit)
    value = live(level=good, sd=0.001)
    value[50] = impossible
    signal, health = only(conditioned(one, samples(each_second(), value)))
    assert health.n_out_of_range == 1
    assert signal.time_s.size == DAY_S - 1


@pytest.mark.parametrize(
    ("value", "quality", "words"),
    [
        (6.0, BAD, "every value was marked Bad or Uncertain"),
        (6.0, UNCERTAIN, "every value was marked Bad or Uncertain"),
        (float("nan"), GOOD, "was no number"),
        (10.0, GOOD, "outside its range"),
    ],
)
def test_a_tag_without_a_trusted_point_is_no_signal(value: float, quality: int, words: str) -> None:
    points = samples(each_second(), np.full(DAY_S, value), quality)
    result = conditioned(tag(range=[0, 10]), points)
    assert not result.signals
    assert words in result.health[0].problem
    assert result.health[0].coverage_frac == 0.0


def test_a_tag_that_sent_nothing_is_no_signal() -> None:
    result = conditioned(tag(), None)
    assert not result.signals
    assert result.health[0].problem == "no value arrived for this day"


@pytest.mark.parametrize(("frozen_s", "is_frozen"), [(3500, False), (3700, True)])
def test_a_value_that_does_not_change_for_an_hour_is_frozen(frozen_s: int, is_frozen: bool) -> None:
    value = live()
    value[7200 : 7200 + frozen_s] = 6.123
    signal, health = only(conditioned(tag(), samples(each_second(), value)))
    assert signal.time_s.size == DAY_S - is_frozen * frozen_s
    assert ("frozen" in health.problem) is is_frozen
    if is_frozen:
        assert "first from 2.0 h after the day began" in health.problem
        assert health.coverage_frac == pytest.approx(1 - frozen_s / DAY_S, abs=1e-4)


def test_a_tag_frozen_most_of_the_day_is_no_signal() -> None:
    value = live()
    value[20_000:] = 6.2
    assert not conditioned(tag(), samples(each_second(), value)).signals


def test_zero_is_a_stopped_unit_and_not_a_frozen_value() -> None:
    one = Tag(role=Role.DP, tag="T", unit="Pa")
    value = live(level=900.0, sd=2.0)
    value[10_000:30_000] = 0.0
    signal, health = only(conditioned(one, samples(each_second(), value)))
    assert signal.time_s.size == DAY_S
    assert health.problem == ""


def test_a_step_tag_may_hold_its_value_all_day() -> None:
    one = tag(Role.STEP_COUNTER, "1", sample="on change")
    signal, health = only(conditioned(one, samples(np.array([10.0]), np.array([3.0]))))
    assert signal.step
    assert signal.longest_hold_s == LONGEST_STEP_S
    assert health.coverage_frac == pytest.approx(1 - 10 / DAY_S)


@pytest.mark.parametrize("sample", [Sample.ON_CHANGE, Sample.THINNED])
def test_a_held_tag_starts_with_its_last_value_before_the_day(sample: Sample) -> None:
    before = (int((START.timestamp() - 1800) * 1e6), 6.5, GOOD)
    points = samples(np.array([7200.0, 14_400.0]), np.array([6.0, 6.2]))
    result = conditioned(tag(sample=sample), points, before)
    (health,) = result.health
    if sample is Sample.ON_CHANGE:
        signal = result.signals[HEADER]
        assert signal.time_s.tolist() == [-1800.0, 7200.0, 14_400.0]
        assert signal.value == pytest.approx([6.5e5, 6.0e5, 6.2e5])
        assert health.coverage_frac == 1.0
    else:  # two points in the morning: what follows is a gap of 20 hours
        assert not result.signals
        assert health.coverage_frac == pytest.approx(4 / 24)


def test_a_tag_at_intervals_takes_nothing_from_the_day_before() -> None:
    before = (int((START.timestamp() - 1) * 1e6), 6.5, GOOD)
    signal, _ = only(conditioned(tag(), samples(each_second(), live()), before))
    assert signal.time_s[0] == 0.0


def test_a_held_value_that_was_bad_is_not_held() -> None:
    before = (int((START.timestamp() - 60) * 1e6), 6.5, BAD)
    one = tag(Role.STEP_COUNTER, "1", sample="on change")
    signal, health = only(conditioned(one, samples(np.array([8640.0]), np.array([3.0])), before))
    assert signal.time_s.tolist() == [8640.0]
    assert health.coverage_frac == pytest.approx(0.9)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_number_beyond_all_units_is_bad() -> None:
    """As a role of any possible value would pass it on as infinity."""
    one = Tag(role=Role.GAS_FLOW, tag="F", unit="m3/s", scale=1e10)
    value = live()
    value[100:200] = 1e300
    signal, health = only(conditioned(one, samples(each_second(), value)))
    assert health.n_bad == 100
    assert np.isfinite(signal.value).all()


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_counter_never_shows_what_no_whole_number_can_hold() -> None:
    one = Tag(role=Role.STEP_COUNTER, tag="C", unit="1")
    value = np.resize([1.0, 2.0], DAY_S)
    value[100] = 1e300
    _, health = only(conditioned(one, samples(each_second(), value)))
    assert health.n_out_of_range == 1
