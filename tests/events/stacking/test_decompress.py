"""A thinned header pressure gets back the scans that the historian left out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from trials.keeping import dead_band, swinging_door
from trials.schedule import Floats

from rowcall.condition.sampling import LONGEST_COMPRESSED_S
from rowcall.events.stacking.decompress import filled_in
from rowcall.model import Signal

BAND = 3_000.0
AT_S = np.arange(0.0, 1_800.0, 1.0)


def pressure() -> Floats:
    """A fire every 20 s, every fifth of which changes nothing; refills are slow, without noise."""
    since, number = np.mod(AT_S, 20.0), AT_S // 20.0
    fall = np.where(number % 5 == 4, 0.0, 90_000.0 * np.exp(-since / 3.0))
    value: Floats = np.asarray(600_000.0 - fall, np.float64)
    return value


@pytest.mark.parametrize("keep", [dead_band, swinging_door])
def test_every_scan_comes_back_to_within_the_dead_band(
    keep: Callable[[Floats, Floats, float], np.ndarray],
) -> None:
    value = pressure()
    kept = keep(AT_S, value, BAND)
    assert kept.size < 0.7 * AT_S.size
    header = Signal(AT_S[kept], value[kept], bridge_s=LONGEST_COMPRESSED_S)
    filled = filled_in(header)
    inside = AT_S[kept[-1]] >= AT_S
    assert filled.signal.time_s == pytest.approx(AT_S[inside], abs=1e-6)
    off = np.abs(filled.signal.value - value[inside])
    assert off.max() <= BAND * (1 + 1e-9)
    is_kept = np.isin(np.flatnonzero(inside), kept)
    assert np.all(filled.error_pa[is_kept] == 0.0)
    # The dead-band is not in an export; it is read from the points to a factor of about two.
    assert np.all(
        (filled.error_pa[~is_kept] > BAND / 2.5) & (filled.error_pa[~is_kept] < 2.5 * BAND)
    )


@pytest.mark.parametrize(("keep", "least"), [(dead_band, 0.95), (swinging_door, 0.95)])
def test_scans_lie_within_their_stated_error_where_there_is_noise(
    keep: Callable[[Floats, Floats, float], np.ndarray], least: float
) -> None:
    value = pressure() + np.random.default_rng(2).normal(0.0, BAND / 3, AT_S.size)
    kept = keep(AT_S, value, BAND)
    filled = filled_in(Signal(AT_S[kept], value[kept], bridge_s=LONGEST_COMPRESSED_S))
    off = np.abs(filled.signal.value - value[: filled.signal.value.size])
    put_back = filled.error_pa > 0
    assert np.mean(off[put_back] <= filled.error_pa[put_back]) >= least


def test_a_refill_kept_by_slope_is_bent_back_towards_its_course() -> None:
    """Its points' straight lines lie on one side of it: an exponential, in closed form."""
    value = pressure()
    kept = swinging_door(AT_S, value, 3 * BAND)
    filled = filled_in(Signal(AT_S[kept], value[kept], bridge_s=LONGEST_COMPRESSED_S)).signal
    lines = np.interp(AT_S, AT_S[kept], value[kept])[: filled.value.size]
    true = value[: filled.value.size]
    put_back = ~np.isin(np.arange(true.size), kept)
    assert np.mean((true - lines)[put_back]) > 100.0
    assert abs(np.mean((true - filled.value)[put_back])) < 0.7 * np.mean((true - lines)[put_back])


@pytest.mark.parametrize(("keep", "is_held"), [(dead_band, True), (swinging_door, False)])
def test_how_a_point_was_kept_is_told_where_hardly_any_is_left_out(
    keep: Callable[[Floats, Floats, float], np.ndarray], is_held: bool
) -> None:
    """Refills that go on until the next pulse: no gap comes before a fall but by lost scans."""
    at_s = np.arange(0.0, 40_000.0, 5.0)
    since = np.mod(at_s, 23.0)
    rng = np.random.default_rng(4)
    value = 600_000.0 - 90_000.0 * np.exp(-since / 7.0) + rng.normal(0.0, BAND / 2, at_s.size)
    scanned = np.flatnonzero(rng.random(at_s.size) > 0.1)
    kept = scanned[keep(at_s[scanned], value[scanned], BAND)]
    assert kept.size > 0.7 * scanned.size
    header = Signal(at_s[kept], value[kept], bridge_s=LONGEST_COMPRESSED_S)
    assert filled_in(header).is_held is is_held


def test_a_signal_at_intervals_is_left_as_it_is() -> None:
    header = Signal(AT_S[::7], pressure()[::7])
    assert filled_in(header).signal is header


def test_a_gap_of_hours_is_not_filled() -> None:
    kept = dead_band(AT_S, pressure(), BAND)
    time_s = np.concatenate((AT_S[kept], AT_S[kept] + 10_000.0))
    value = np.tile(pressure()[kept], 2)
    filled = filled_in(Signal(time_s, value, bridge_s=LONGEST_COMPRESSED_S)).signal
    assert not ((filled.time_s > 1_800.0) & (filled.time_s < 9_999.0)).any()
