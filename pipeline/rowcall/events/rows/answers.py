"""Which single pulses were heard and answered, told from the share of the usual drop they made.

A pulse whose points all come late, when little of a drop is left, gets a large error, and hangs on
the level of the supply: it was not heard.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.events.headers.recovery import T95
from rowcall.events.noise import TO_DEVIATION
from rowcall.events.stacking.pulse_curve import LEAST_DROP, curve_shape
from rowcall.events.stacking.pulse_fraction import pulse_shares
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_HALF = 0.5  # an answer makes more than half of what the row's answers make
_ERRORS = 3.0  # chosen: standard errors by which no answer must lie apart from that
_ANSWER_ERRORS = 2.0  # chosen: and an answer
_LEAST_ANSWER = 0.15  # chosen: of the usual drop; a row below it all day is held against its peers
_TELLS = 0.25  # chosen: doubt of the level beyond which a pulse's points come too late to tell it
_SHARP = 0.1  # chosen: errors up to which all pulses of a row tell its level, else the best
_REAL_SHARE = 0.05  # chosen: a row that answers less than once in twenty times has no level
_LEAST_USUAL = 0.12  # a usual drop is 15-40 % of gauge pressure: common practice, no source
_FAST_TAU_S = 3.0 / T95  # a usual refill takes 3-15 s to 95 %: common practice, no source


@dataclass(frozen=True, slots=True)
class Shares:
    """Share of the usual drop that each fire made, shape (n_fires,) [-].

    Attributes:
        share, error: and its standard error from the noise alone; infinite without points, or with
            such only that come too late in the refill to tell.
        is_heard: an answer and none would be told apart.
        is_answered: heard, and more than half of what the row's own answers make.
    """

    share: Floats
    error: Floats
    is_heard: Flags
    is_answered: Flags


def answer_shares(stack: Stack) -> Shares:
    """Return what each single pulse made of the usual drop, and which ones answered."""
    share, error, doubt = pulse_shares(stack, _expected(stack))
    error = np.where(doubt <= _TELLS, error, np.inf)
    whole = np.hypot(error, doubt)
    half, scatter = np.full(share.size, _HALF), 0.0
    if stack.curve.drop >= LEAST_DROP:
        heard = np.isfinite(error)
        level = _levels(share[heard], whole[heard], stack.line[heard], len(stack.overlay.rows))
        half = _HALF * np.minimum(level, 1.0)[stack.line]
        scatter = relative_scatter(share[heard], error[heard], stack.line[heard])
        if stack.overlay.width_s > stack.curve.tau_s:
            scatter = np.inf  # an answer early in the interval has been made good at its end
    # An answer scatters about its level by its own share, none by the noise alone. Where that is
    # the fire's unknown instant, it stays within bounds: so two deviations are enough.
    is_steady = np.hypot(whole, scatter * half / _HALF) <= half / _ANSWER_ERRORS
    is_heard = (whole <= half / _ERRORS) & is_steady
    return Shares(
        share,
        error,
        is_heard,
        is_heard & (share > half),
    )


def _levels(share: Floats, error: Floats, line: Ints, n_rows: int) -> Floats:
    """Share that the answers of each row make; 1 for a row that hardly answers at all."""
    level = np.ones(n_rows)
    for row in np.unique(line):
        sharp = (line == row) & (error <= max(np.quantile(error[line == row], 0.25), _SHARP))
        mine, noise = share[sharp], float(np.median(error[sharp]))
        top = float(np.quantile(mine, 0.9)) - noise
        answers = mine[mine > _HALF * max(top, _LEAST_ANSWER)]
        if answers.size > 2:
            middle = float(np.median(answers))
            # Picked by their own noise, answers of a row that makes none would have a level too.
            told = middle if middle > _ERRORS * noise else float(np.mean(mine))
            is_real = told > max(_LEAST_ANSWER, _ERRORS * noise / np.sqrt(answers.size))
            level[row] = told if is_real and np.mean(mine) > _REAL_SHARE * told else 1.0
    return level


def _expected(stack: Stack) -> Floats:
    """Deficit at each point after a pulse of usual depth; where no row draws, of a shallow one."""
    if stack.curve.drop >= LEAST_DROP:
        return stack.usual_at_points
    since = stack.overlay.since_s
    shape = curve_shape(since, trade.VALVE_OPEN.value, _FAST_TAU_S, stack.overlay.width_s)
    return _LEAST_USUAL * shape


def relative_scatter(share: Floats, error: Floats, line: Ints) -> float:
    """Relative scatter of the answers of a row beyond their errors; of the median row.

    Args:
        share, error: of each fire, shape (n_fires,); line: number of its row.
    """
    scatter = []
    for row in np.unique(line):
        mine = line == row
        half = _HALF * max(float(np.quantile(share[mine], 0.75)), _LEAST_ANSWER)
        answers = mine & (share > half)
        if answers.sum() > 2:
            middle = float(np.median(share[answers]))
            off = TO_DEVIATION * float(np.median(np.abs(share[answers] / middle - 1)))
            noise = float(np.median(error[answers])) / middle
            scatter.append(np.sqrt(max(off**2 - noise**2, 0.0)))
    return float(np.median(scatter)) if scatter else 0.0
