"""When bits show pulses, and which signals fall right then, as the pressure of a header does."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rowcall.draft.tag_facts import TagFacts

_PERCENTILE = 95.0  # chosen: of falls between pulses; a larger one is not by chance
_SHARE = 0.8  # chosen: of a bit's pulses; two of ten may be missed
_MIN_PULSES = 3  # chosen: of a bit, else it is not judged
_INTERVALS_S = (1.0, 3600.0)  # chosen: rows are pulsed no quicker; rarer bits are of no cleaning
_MIN_BETWEEN = 20  # chosen: instants between pulses that give the percentile


def followed_bits(signal: TagFacts, bits: Sequence[TagFacts]) -> frozenset[str]:
    """Return the names of the bits at whose pulses a signal falls more than between pulses.

    None are found where samples lie too far apart, or the two clocks differ by several samples.
    """
    begun = [_begun(bit) for bit in bits]
    pulses = _pulses(bits)
    between = pulses[:-1] + np.diff(pulses) // 2
    usual = _falls(signal, between)
    if len(usual) < _MIN_BETWEEN:
        return frozenset()
    limit = max(float(np.percentile(usual, _PERCENTILE)), 0.0)
    falls = ((bit.name, _falls(signal, at)) for bit, at in zip(bits, begun, strict=True))
    return frozenset(
        name for name, fall in falls if len(fall) >= _MIN_PULSES and np.mean(fall > limit) >= _SHARE
    )


def pulse_interval_s(bits: Sequence[TagFacts]) -> float | None:
    """Return the median time between two pulses of any rows [s], None where it is not seen."""
    spaces = np.diff(_pulses(bits))
    usual = float(np.median(spaces)) / 1e6 if len(spaces) >= _MIN_BETWEEN else 0.0
    return usual if _INTERVALS_S[0] <= usual <= _INTERVALS_S[1] else None


def _pulses(bits: Sequence[TagFacts]) -> npt.NDArray[np.int64]:
    return np.unique(np.concatenate([np.empty(0, np.int64), *map(_begun, bits)]))


def _begun(bit: TagFacts) -> npt.NDArray[np.int64]:
    """Return the instants at which a bit becomes 1 [us]."""
    return bit.time_us[1:][np.diff(bit.value) > 0]


def _falls(signal: TagFacts, at_us: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """Return the highest of two samples until each instant less the lowest of two after it.

    Two, as a bit that is recorded late, or at intervals, shows a pulse after the first sample of
    its drop.
    """
    value = signal.value
    after = np.searchsorted(signal.time_us, at_us, side="right")
    after = after[(after >= 2) & (after + 2 <= len(value))]
    before = np.maximum(value[after - 2], value[after - 1])
    return before - np.minimum(value[after], value[after + 1])
