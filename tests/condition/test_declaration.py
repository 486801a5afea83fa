"""A tag recorded otherwise than the site file says is named, and hardly ever a sound one."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.conditioning import conditioned, each_second, live, only, samples, tag
from trials.keeping import dead_band, swinging_door

from rowcall.condition.declaration import declared_otherwise
from rowcall.model import Floats
from rowcall.site import Role, Sample

N = 7_200
LEVEL = 6.0 - 1.5 * np.exp(-(np.arange(N) % 20) / 3.0) + 0.02 * live(N, level=0.0, sd=1.0)
NUMBER = np.arange(N) // 12 % 10 + 1.0


def said(stated: Sample, time_s: Floats, value: Floats) -> str:
    note = declared_otherwise(stated, np.rint(1e6 * time_s).astype(np.int64), value)
    return note.split('"')[1] if note else ""


def by_change(value: Floats) -> tuple[Floats, Floats]:
    at = np.concatenate(([0], np.flatnonzero(np.diff(value)) + 1))
    return at.astype(np.float64), value[at]


@pytest.mark.parametrize("value", [NUMBER, LEVEL])
@pytest.mark.parametrize("stated", [Sample.ON_CHANGE, Sample.THINNED])
def test_an_even_pace_is_at_intervals(stated: Sample, value: Floats) -> None:
    assert said(stated, each_second(N), value) == "at intervals"
    assert said(Sample.AT_INTERVALS, each_second(N), value) == ""


def test_points_at_changes_only_are_on_change() -> None:
    bit = np.zeros(N)
    bit[::37] = 1.0
    assert said(Sample.AT_INTERVALS, *by_change(bit)) == "on change"
    assert said(Sample.ON_CHANGE, *by_change(bit)) == ""


def test_points_left_out_are_thinned() -> None:
    time_s, level = np.arange(N, dtype=np.float64), np.asarray(LEVEL, np.float64)
    points = dead_band(time_s, level, 0.1)
    assert said(Sample.AT_INTERVALS, time_s[points], level[points]) == "thinned"
    for kept in (points, swinging_door(time_s, level, 0.1)):
        assert said(Sample.THINNED, time_s[kept], level[kept]) == ""


def test_a_counter_that_steps_evenly_is_on_change() -> None:
    """Its points come at an even pace, as its rows are pulsed so; none repeats a number."""
    assert said(Sample.ON_CHANGE, *by_change(NUMBER)) == ""


def test_a_heartbeat_beside_changes_is_no_interval() -> None:
    beat = np.arange(0.0, N, 10.0)
    time_s = np.unique(np.concatenate((beat, np.arange(7.0, N, 173.0))))
    assert said(Sample.ON_CHANGE, time_s, time_s // 173.0 % 2) == ""


@pytest.mark.parametrize("stated", list(Sample))
@pytest.mark.parametrize("n", [2, 50, N])
def test_few_points_or_a_constant_show_no_habit(stated: Sample, n: int) -> None:
    assert said(stated, each_second(n), np.full(n, 6.0)) == ""
    assert said(stated, each_second(min(n, 50)), LEVEL[: min(n, 50)]) == ""


def test_losses_and_two_paces_are_still_at_intervals() -> None:
    rng = np.random.default_rng(5)
    left = np.sort(rng.permutation(N)[: N // 2])
    assert said(Sample.AT_INTERVALS, each_second(N)[left], LEVEL[left]) == ""
    two = np.concatenate((np.arange(0, N // 2), np.arange(N // 2, N, 30)))
    assert said(Sample.AT_INTERVALS, each_second(N)[two], LEVEL[two]) == ""


def test_the_tag_stays_usable() -> None:
    one = tag(Role.STEP_COUNTER, "1", sample="on change")
    signal, health = only(conditioned(one, samples(each_second(N), NUMBER % 2 + 1)))
    assert signal.time_s.size == N
    assert 'write sample = "at intervals"' in health.note
