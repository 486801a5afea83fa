"""Rows from header pressure alone: interval, phase, places, anchors, and plain refusals."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from helpers.cadence.cadence_score import Score, score
from helpers.cadence.trains import Line, Sampling, Train, train
from scipy.signal import find_peaks as scipy_peaks
from scipy.signal import lombscargle

from rowcall.events.firing.cadence.sequence import Cadence, find_cadence, find_cadences
from rowcall.events.firing.cadence.starts import Start
from rowcall.model import Signal

ORDER = (1, 4, 7, 10, 2, 5, 8, 11, 3, 6, 9, 12)
SILENT = Line(silent=(4,))
ANEW = replace(SILENT, after_rest="first")
NEXT = replace(SILENT, after_rest="next")
PLAIN = Sampling()
HARD = Sampling(noise_frac=0.01, wander_frac=0.1, missing_frac=0.1)
HALF_DAY = replace(HARD, seconds=43_200.0)
FINE = replace(HARD, step_s=0.1, seconds=21_600.0)


@cache
def told(line: Line, how: Sampling, seed: int = 1) -> tuple[Train, Cadence, Score]:
    day = train(line, how, seed)
    cadence = find_cadence(day.header, line.n_rows, order=ORDER)
    assert cadence.is_found, cadence.reason
    return day, cadence, score(day, cadence, line.n_rows, ORDER)


# Every fire is there, silent ones included, and the silent place is the true one.


@pytest.mark.parametrize("how", [PLAIN, HARD, FINE], ids=["1s", "hard", "0.1s"])
@pytest.mark.parametrize(
    "line",
    [
        SILENT,
        ANEW,
        NEXT,
        replace(SILENT, after_rest="any"),
        replace(SILENT, jumps=6),
        replace(SILENT, drift_frac=0.3),
        replace(NEXT, rest_s=(30.0, 100.0)),
        replace(SILENT, silent=(4, 5, 9)),
    ],
    ids=["endless", "anew", "next", "any", "restarts", "drift", "short rests", "three silent"],
)
def test_silent_places_are_found(line: Line, how: Sampling) -> None:
    day, _, found = told(line, how)
    assert found.silent == line.silent
    assert found.place_share > 0.97
    # Calls at the ends of a bout that draw no air leave no trace; a few a day at most.
    assert abs(found.n_more) <= 0.02 * day.fire_s.size


@pytest.mark.parametrize("line", [Line(), replace(ANEW, silent=()), replace(NEXT, silent=())])
def test_healthy_rows_are_never_silent(line: Line) -> None:
    for seed in range(4):
        _, cadence, found = told(line, HARD, seed)
        assert cadence.silent == ()
        assert abs(found.n_more) <= 7
        assert cadence.seen[cadence.observable].mean() > 0.99


def test_fires_lie_in_their_spans_in_order_of_time() -> None:
    day, cadence, _ = told(SILENT, PLAIN)
    assert (np.diff(cadence.low_s) > 0).all()
    assert cadence.place.size == day.fire_s.size
    # A valve takes 0.15 s to open: a fall may show up to that much later.
    inside = (cadence.low_s - 0.15 < day.fire_s) & (day.fire_s <= cadence.high_s)
    assert inside.mean() > 0.99
    assert set(np.unique(cadence.place)) == set(range(1, 13))
    assert (np.diff(cadence.place) % 12 == 1).mean() > 0.999


def test_two_seconds_and_five_seconds() -> None:
    assert told(NEXT, Sampling(step_s=2.0))[2].silent == (4,)
    assert told(SILENT, replace(HARD, step_s=2.0))[2].silent == (4,)
    assert told(replace(SILENT, interval_s=20.0), Sampling(step_s=5.0))[2].silent == (4,)


def test_a_gap_in_the_samples_does_not_lose_the_count() -> None:
    day, cadence, found = told(SILENT, replace(PLAIN, gaps=3, gap_s=300.0))
    assert found.n_more == 0
    assert found.place_share == 1.0
    assert 0.97 < cadence.observable.mean() < 1.0
    assert cadence.segment.max() == 1
    assert day.fire_s.size == cadence.place.size


# What the sequence does after a rest is found, not assumed, and rows are named only then.


def test_a_sequence_that_starts_anew_names_the_rows() -> None:
    day, cadence, found = told(ANEW, HARD)
    assert (cadence.start, cadence.anchor) == (Start.FIRST, "pause")
    assert found.row_share > 0.97
    assert cadence.silent == (4,)
    assert set(cadence.row[cadence.place == 4]) == {ORDER[3]}
    assert cadence.segment.max() > 50
    assert day.place.max() == 12


def test_a_sequence_that_carries_on_names_none() -> None:
    _, cadence, _ = told(NEXT, HARD)
    assert (cadence.start, cadence.anchor) == (Start.NEXT, "none")
    assert not cadence.row.any()
    assert "carries on" in cadence.reason


def test_endless_cleaning_names_none() -> None:
    _, cadence, _ = told(SILENT, PLAIN)
    assert (cadence.start, cadence.anchor) == (Start.ENDLESS, "none")
    assert cadence.place[0] == 1
    assert "without a rest" in cadence.reason


def test_whole_rounds_name_none() -> None:
    _, cadence, found = told(replace(ANEW, passes=(1.0, 1.0)), PLAIN)
    assert (cadence.start, cadence.anchor) == (Start.WHOLE, "none")
    assert found.silent == (4,)


@pytest.mark.parametrize("place", [1, 12])
@pytest.mark.parametrize("passes", [(1.0, 1.0), (1.0, 2.5)])
def test_a_silent_place_at_the_start_is_found_but_not_named(
    place: int, passes: tuple[float, float]
) -> None:
    _, cadence, found = told(replace(ANEW, silent=(place,), passes=passes), PLAIN)
    assert len(cadence.silent) == 1
    assert found.silent == (place,)
    assert cadence.anchor == "none"


def test_without_a_firing_order_no_row_is_named() -> None:
    cadence = find_cadence(train(ANEW, PLAIN, 1).header, 12)
    assert cadence.silent == (4,)
    assert not cadence.row.any()
    assert "no firing order" in cadence.reason


def test_a_known_start_row_or_isolated_row_anchors() -> None:
    whole = train(replace(ANEW, passes=(1.0, 1.0)), PLAIN, 1)
    cadence = find_cadence(whole.header, 12, order=ORDER, start_row=7)
    assert cadence.anchor == "start row"
    assert set(cadence.row[cadence.place == 1]) == {7}
    assert set(cadence.row[cadence.place == 4]) == {ORDER[5]}
    endless = train(SILENT, PLAIN, 1)
    cadence = find_cadence(endless.header, 12, order=ORDER, isolated_rows=(ORDER[3],))
    assert cadence.anchor == "isolated row"
    assert score(endless, cadence, 12, ORDER).row_share == 1.0
    two = train(replace(SILENT, silent=(4, 7)), PLAIN, 1)
    assert find_cadence(two.header, 12, order=ORDER, isolated_rows=(ORDER[3],)).anchor == "none"


# Two controllers on one header.


BOUTS = [
    Line(n_rows=8, interval_s=10.0, silent=(3,), after_rest="next"),
    Line(n_rows=8, interval_s=13.7, silent=(5,), after_rest="next"),
]


def test_compartments_fired_in_turn_are_one_train() -> None:
    (one,) = find_cadences(train(SILENT, HARD, 1).header, (6, 6))
    assert one.n_places == 12
    assert len(one.silent) == 1


def test_two_cadences_on_one_header_are_taken_apart() -> None:
    day = train(BOUTS, PLAIN, 1)
    trains = find_cadences(day.header, (8, 8))
    assert [one.interval_s for one in trains] == pytest.approx([10.0, 13.7], abs=0.1)
    for number, one in enumerate(trains):
        mine = day.line == number
        alone = replace(day, fire_s=day.fire_s[mine], place=day.place[mine])
        own = score(alone, one, 8, ORDER)
        assert own.silent == BOUTS[number].silent
        assert own.place_share > 0.9


def test_two_cadences_that_cannot_be_taken_apart_are_refused() -> None:
    endless = [
        replace(line, after_rest="none", interval_s=t)
        for line, t in zip(BOUTS, (10.0, 13.0), strict=True)
    ]
    (one,) = find_cadences(train(endless, HARD, 1).header, (8, 8))
    assert not one.is_found
    assert "keep one cadence" in one.reason


def test_uneven_firing_is_not_taken_for_silent_rows() -> None:
    limping = [Line(n_rows=8, silent=(3,)), Line(n_rows=8, silent=(6,))]
    for seed in range(4):
        trains = find_cadences(train(limping, HALF_DAY, seed).header, (8, 8))
        assert all(len(one.silent) <= 2 for one in trains)
        assert all(one.reason for one in trains)


# Where the site file does not fit, or nothing can be told, it says so.


def test_a_round_of_other_length_is_said() -> None:
    day = train(replace(SILENT, n_rows=10), PLAIN, 1)
    cadence = find_cadence(day.header, 12, order=ORDER)
    assert cadence.n_places == 10
    assert len(cadence.silent) == 1
    assert "12 rows in the firing order for the 10 places" in cadence.reason


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (Signal(np.arange(3.0), np.full(3, 6e5)), "only 3 samples"),
        (Signal(np.arange(86_400.0), np.full(86_400, 6e5)), "only 0 drops"),
        (train(Line(), Sampling(step_s=10.0), 1).header, "too far apart"),
    ],
)
def test_what_cannot_be_told_is_said_plainly(header: Signal, words: str) -> None:
    cadence = find_cadence(header, 12, order=ORDER, interval_s=10.0)
    assert not cadence.is_found
    assert words in cadence.reason


def test_noise_alone_has_no_cadence() -> None:
    for seed in range(5):
        noise = 1e4 * np.random.default_rng(seed).standard_normal(86_400)
        cadence = find_cadence(Signal(np.arange(86_400.0), 6e5 + noise), 12)
        assert not cadence.is_found
        assert cadence.reason


# Outside check: period and phase of the same train by scipy.


@pytest.mark.parametrize("interval_s", [8.3, 12.37, 19.9])
def test_the_interval_is_that_of_a_lomb_scargle_periodogram(interval_s: float) -> None:
    line = Line(interval_s=interval_s, jitter_s=0.0)
    how = replace(HARD, seconds=3600.0)
    day = train(line, how, 3)
    cadence = find_cadence(day.header, 12)
    period = np.linspace(0.9 * interval_s, 1.1 * interval_s, 401)
    value = day.header.value - day.header.value.mean()
    power = lombscargle(day.header.time_s, value, 2 * np.pi / period)
    assert cadence.interval_s == pytest.approx(period[np.argmax(power)], rel=2e-3)
    assert cadence.interval_s == pytest.approx(interval_s, rel=2e-3)


def test_the_phase_is_that_of_the_peaks_scipy_finds() -> None:
    day = train(Line(interval_s=12.37), replace(PLAIN, seconds=7200.0), 3)
    cadence = find_cadence(day.header, 12)
    fall = day.header.value[:-1] - day.header.value[1:]
    peaks, _ = scipy_peaks(fall, height=3e4, distance=6)
    apart = np.abs(cadence.low_s[:, None] - day.header.time_s[peaks][None, :]).min(axis=0)
    # A sample taken while the valve opens splits a fall of 1.3 bar in two.
    assert apart.max() <= 1.0
    assert (apart == 0).mean() > 0.95
    assert abs(cadence.low_s.size - day.fire_s.size) <= 1  # the last may lie at the very end
    assert peaks.size >= 0.99 * day.fire_s.size
