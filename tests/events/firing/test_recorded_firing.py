"""Fires from bits and counters, and drops where neither is there."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.firing.inferred import find_drops
from rowcall.events.firing.recorded import Fires, find_fires
from rowcall.events.noise import noise_of
from rowcall.events.rows.pulses import measure_pulses
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.model import Signal
from rowcall.site import Baghouse, Cleaning, Role

DAY_S = 86_400.0
Signals = dict[tuple[Role, int, int], Signal]


def house(rows: tuple[int, ...] = (3, 2)) -> Baghouse:
    return Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=len(rows),
        rows_per_compartment=rows,
        cleaning=Cleaning(mode="on_time"),
    )


def by_change(points: list[tuple[float, float]]) -> Signal:
    time_s, value = np.array(points, np.float64).T
    return Signal(time_s, value, step=True, longest_hold_s=float("inf"))


def scanned(points: list[tuple[float, float]]) -> Signal:
    time_s, value = np.array(points, np.float64).T
    return Signal(time_s, value)


def fires_of(signals: Signals, rows: tuple[int, ...] = (3, 2)) -> Fires:
    fires = find_fires(house(rows), signals, DAY_S)
    assert fires is not None
    return fires


def listed(fires: Fires) -> list[tuple[float, float, int, int]]:
    columns = (fires.low_s, fires.high_s, fires.compartment, fires.row)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_a_bit_by_change_gives_the_instant() -> None:
    fires = fires_of(
        {
            (Role.ROW_SOLENOID, 1, 2): by_change([(0, 0), (30.5, 1), (30.6, 0), (90.5, 1)]),
            (Role.ROW_SOLENOID, 2, 1): by_change([(0, 0), (60.25, 1), (60.35, 0)]),
        }
    )
    assert listed(fires) == [(30.5, 30.5, 1, 2), (60.25, 60.25, 2, 1), (90.5, 90.5, 1, 2)]
    assert fires.is_complete


def test_a_bit_that_comes_on_without_a_zero_before_is_a_fire() -> None:
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change([(10, 1), (10.1, 0)])})
    assert listed(fires) == [(10.0, 10.0, 1, 1)]


def test_a_bit_that_repeats_its_value_fires_once() -> None:
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change([(0, 0), (10, 1), (11, 1), (12, 0)])})
    assert listed(fires) == [(10.0, 10.0, 1, 1)]


def test_a_scanned_bit_gives_a_span_and_misses_fires() -> None:
    points = [(float(t), float(t in {30, 31, 90})) for t in range(120)]
    fires = fires_of({(Role.ROW_SOLENOID, 1, 2): scanned(points)})
    assert listed(fires) == [(29.0, 30.0, 1, 2), (89.0, 90.0, 1, 2)]
    assert not fires.is_complete


def test_a_fire_of_the_day_before_is_not_todays() -> None:
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change([(-5, 1), (-4.9, 0), (20, 1)])})
    assert listed(fires) == [(20.0, 20.0, 1, 1)]


def test_a_row_that_is_never_called_has_no_fire() -> None:
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change([(0, 0)])})
    assert fires.size == 0
    assert fires.is_complete


def test_a_counter_of_one_compartment_counts_its_rows() -> None:
    counter = by_change([(-9, 3), (10, 1), (20, 2), (30, 3), (40, 1), (50, 0), (60, 9)])
    fires = fires_of({(Role.STEP_COUNTER, 1, 0): counter})
    assert listed(fires) == [
        (10.0, 10.0, 1, 1),
        (20.0, 20.0, 1, 2),
        (30.0, 30.0, 1, 3),
        (40.0, 40.0, 1, 1),
    ]


def test_a_shared_counter_runs_over_all_rows() -> None:
    counter = by_change([(0, 0), (10, 1), (20, 3), (30, 4), (40, 5), (50, 6)])
    fires = fires_of({(Role.STEP_COUNTER, 0, 0): counter})
    assert [(c, r) for _, _, c, r in listed(fires)] == [(1, 1), (1, 3), (2, 1), (2, 2)]


def test_a_scanned_counter_misses_nothing_and_gives_a_span() -> None:
    fires = fires_of({(Role.STEP_COUNTER, 2, 0): scanned([(0, 2), (1, 1), (2, 1), (3, 2)])})
    assert listed(fires) == [(0.0, 1.0, 2, 1), (2.0, 3.0, 2, 2)]
    assert fires.is_complete


BIT = by_change([(0, 0), (10, 1), (10.1, 0)])
SCANNED_BIT = scanned([(9, 0), (10, 1), (11, 0)])
COUNTER = by_change([(0, 0), (10.4, 1), (30.4, 2)])


@pytest.mark.parametrize(
    ("bit", "instants"), [(BIT, [10.0]), (SCANNED_BIT, [10.4, 30.4])], ids=["on change", "scanned"]
)
def test_bits_come_before_counters_unless_they_miss_fires(
    bit: Signal, instants: list[float]
) -> None:
    signals = {(Role.ROW_SOLENOID, 1, 1): bit, (Role.STEP_COUNTER, 1, 0): COUNTER}
    assert fires_of(signals).high_s.tolist() == instants


def test_scanned_bits_are_better_than_nothing() -> None:
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): SCANNED_BIT})
    assert listed(fires) == [(9.0, 10.0, 1, 1)]


def test_with_neither_bits_nor_counters_fires_are_not_known() -> None:
    assert find_fires(house(), {}, DAY_S) is None


def header(noise_pa: float, fired_s: list[float], seed: int = 2) -> Signal:
    """A header at 6 bar, each fire a drop of 1.3 bar made good with 2 s, sampled each second."""
    time_s = np.arange(1200.0)
    value = np.full(1200, 6.0e5)
    for fired in fired_s:
        since = time_s - fired - 0.15
        value -= np.where(since >= 0, 1.3e5 * np.exp(-np.maximum(since, 0) / 2.0), 0.0)
    return Signal(time_s, value + noise_pa * np.random.default_rng(seed).standard_normal(1200))


FIRED = [20.0 + 20.013 * k for k in range(55)]


def test_drops_show_fires_that_nothing_else_tells_of() -> None:
    drops = find_drops(header(2000.0, FIRED), 2)
    assert drops.size == len(FIRED)
    assert not drops.is_complete
    assert set(drops.compartment.tolist()) == {2}
    assert set(drops.row.tolist()) == {0}
    # A drop is first seen at the sample after its fire and the 0.15 s that the valve opens.
    fired = np.array(FIRED)
    assert (drops.low_s <= fired + 0.15).all()
    assert (fired <= drops.high_s).all()
    signal = header(2000.0, FIRED)
    measured = measure_pulses(signal, drops, stack_rows(filled_in(signal), drops))
    assert measured["row"].null_count() == len(FIRED)
    # The instant is known to a second only, and so is what was made good before the first sample.
    assert measured["drop_pa"].median() == pytest.approx(1.3e5, rel=0.10)


def test_noise_alone_is_no_drop() -> None:
    quiet = header(2000.0, [])
    assert find_drops(quiet, 1).size <= 3  # of 1200 points, a few stand ten sigma apart or none


@pytest.mark.parametrize("noise_pa", [500.0, 2000.0, 6000.0])
def test_noise_is_told_apart_from_pulses(noise_pa: float) -> None:
    estimates = [noise_of(header(noise_pa, FIRED, seed)) for seed in range(20)]
    # Refills bend the curve where noise does not, so the estimate leans to the high side.
    assert noise_pa * 0.9 <= np.median(estimates) <= noise_pa * 1.6 + 400.0
    quiet = [noise_of(header(noise_pa, [], seed)) for seed in range(20)]
    assert np.mean(quiet) == pytest.approx(noise_pa, rel=0.05)


@pytest.mark.parametrize(("last_s", "width_s"), [(575.0, 1.0), (575.001, 0.0)])
def test_stamps_that_all_stand_on_whole_seconds_are_cut(last_s: float, width_s: float) -> None:
    at_s = [*(25.0 * k for k in range(23)), last_s]
    points = [point for at in at_s for point in ((at, 1.0), (at + 0.1, 0.0))]
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change(points)})
    assert (fires.high_s - fires.low_s == width_s).all()
    assert fires.low_s.tolist() == at_s


def test_cut_stamps_of_few_pulses_are_taken_as_they_are() -> None:
    points = [point for k in range(19) for point in ((25.0 * k, 1.0), (25.0 * k + 0.1, 0.0))]
    fires = fires_of({(Role.ROW_SOLENOID, 1, 1): by_change(points)})
    assert (fires.low_s == fires.high_s).all()
