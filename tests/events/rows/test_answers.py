"""Which single pulses can be judged, on headers whose refill has a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.firing.recorded import Fires
from rowcall.events.rows.answers import PulseAnswers, pulse_answers, relative_scatter
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.model import Floats, Signal

N_ROWS, N_FIRES, INTERVAL_S = 8, 2400, 12.03
DROP, TAU_S, CLOSE_S = 0.3, 2.0, 0.15
SILENT_ROW = 3


def answers(noise: float, step_s: float) -> tuple[PulseAnswers, Floats]:
    """Shares of all fires, and the time from each fire to the first sample after it [s]."""
    fire_s = 5.0 + INTERVAL_S * np.arange(N_FIRES)
    row = np.arange(N_FIRES) % N_ROWS + 1
    time_s = np.arange(0.0, fire_s[-1] + 10.0, step_s)
    fire = np.maximum(np.searchsorted(fire_s, time_s, side="right") - 1, 0)
    since_s = time_s - fire_s[fire]
    drop = np.where(row[fire] == SILENT_ROW, 0.0, DROP)
    lacks = drop * np.minimum(
        np.clip(since_s, 0.0, CLOSE_S) / CLOSE_S, np.exp(-np.maximum(since_s - CLOSE_S, 0) / TAU_S)
    )
    off = noise * np.random.default_rng(7).standard_normal(time_s.size)
    stack = stack_rows(
        filled_in(Signal(time_s, 5e5 * (1.0 - lacks + off))),
        Fires(fire_s, fire_s, np.ones(N_FIRES, np.int64), row),
    )
    assert stack is not None
    first = np.minimum(np.searchsorted(time_s, fire_s, side="right"), time_s.size - 1)
    return pulse_answers(stack), np.asarray(time_s[first] - fire_s)


def test_a_pulse_is_judged_where_its_drop_stands_out_of_the_noise() -> None:
    shares, _ = answers(noise=0.003, step_s=1.0)
    assert shares.is_judged.mean() > 0.99
    is_silent = np.arange(N_FIRES) % N_ROWS + 1 == SILENT_ROW
    assert np.array_equal(shares.is_answered[shares.is_judged], ~is_silent[shares.is_judged])


def test_no_pulse_is_judged_whose_drop_drowns_in_noise() -> None:
    """Noise as large as the drop: of single pulses nothing is known, however near the samples."""
    shares, _ = answers(noise=DROP, step_s=1.0)
    assert shares.is_judged.mean() < 0.01


def test_a_pulse_sampled_late_in_its_refill_only_has_no_share() -> None:
    """From 5 s on less than a tenth of the drop is left: the error of the level outweighs it."""
    shares, first_s = answers(noise=0.0005, step_s=10.0)
    late, early = first_s > 5.0, (first_s > CLOSE_S) & (first_s < 1.5)
    assert late.sum() > 100
    assert np.isinf(shares.error[late]).all()
    assert np.isfinite(shares.error[early]).all()


@pytest.mark.parametrize("own", [0.0, 0.2])
def test_what_noise_scatters_is_no_scatter_of_the_answers(own: float) -> None:
    rng, n = np.random.default_rng(11), 40_000
    line = np.arange(n) % 4
    share = 1.0 + own * rng.standard_normal(n) + 0.15 * rng.standard_normal(n)
    scatter = relative_scatter(share, np.full(n, 0.15), line)
    assert scatter == pytest.approx(own, abs=0.03)
