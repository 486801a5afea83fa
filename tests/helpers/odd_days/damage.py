"""What a historian, a wire or a clock can do to the samples of a tag, drawn by chance."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import numpy as np
import numpy.typing as npt

from rowcall.store.samples import TagSamples

Damage = Callable[[Random, TagSamples], TagSamples]
Doubles = npt.NDArray[np.float64]

_HUGE = (0.0, 1e-320, 1e-9, 1e9, 1e300, -1e9, float("inf"), float("-inf"))


def _only(one: TagSamples, keep: npt.NDArray[np.bool_]) -> TagSamples:
    return TagSamples(one.time_us[keep], one.value[keep], one.quality[keep])


def _valued(one: TagSamples, value: Doubles) -> TagSamples:
    return TagSamples(one.time_us, value, one.quality)


def _run(rng: Random, one: TagSamples) -> slice:
    """Return a run of the points, from a single one to all."""
    n = one.time_us.size
    length = max(1, int(n * rng.choice((0.0, 0.02, 0.2, 0.5, 1.0))))
    first = rng.randint(0, n - length)
    return slice(first, first + length)


def constant(rng: Random, one: TagSamples) -> TagSamples:
    """Hold one value for a run: exactly 0, the first, or an odd one."""
    value, run = one.value.copy(), _run(rng, one)
    value[run] = rng.choice((0.0, 0.0, float(value[run.start]), 1.0, rng.choice(_HUGE)))
    return _valued(one, value)


def spikes(rng: Random, one: TagSamples) -> TagSamples:
    """Put odd values at single points."""
    value = one.value.copy()
    for _ in range(rng.choice((1, 3, 100))):
        value[rng.randrange(value.size)] = rng.choice((*_HUGE, float(value[0]) * 3))
    return _valued(one, value)


def no_numbers(rng: Random, one: TagSamples) -> TagSamples:
    """Leave a run without numbers."""
    value = one.value.copy()
    value[_run(rng, one)] = np.nan
    return _valued(one, value)


def few_points(rng: Random, one: TagSamples) -> TagSamples:
    """Leave none to three points, anywhere or next to each other."""
    n, total = rng.randint(0, 3), one.time_us.size
    first = rng.randrange(total)
    places = (
        range(first, min(total, first + n))
        if rng.random() < 0.5
        else rng.choices(range(total), k=n)
    )
    keep = np.zeros(total, np.bool_)
    keep[list(places)] = True
    return _only(one, keep)


def a_part(rng: Random, one: TagSamples) -> TagSamples:
    """Leave one run of the points, or take one away."""
    keep = np.zeros(one.time_us.size, np.bool_)
    keep[_run(rng, one)] = True
    return _only(one, keep if rng.random() < 0.5 else ~keep)


def scaled(rng: Random, one: TagSamples) -> TagSamples:
    """Take the values in another unit, or upside down."""
    factor = rng.choice((1e-300, 1e-6, 1e-3, 0.1, 3.0, 1e3, 1e6, 1e300, -1.0))
    with np.errstate(over="ignore", under="ignore"):
        return _valued(one, one.value * factor)


def bad_quality(rng: Random, one: TagSamples) -> TagSamples:
    """Mark a run as uncertain or bad."""
    quality = one.quality.copy()
    quality[_run(rng, one)] = rng.choice((1, 2))
    return TagSamples(one.time_us, one.value, quality)


def thinner(rng: Random, one: TagSamples) -> TagSamples:
    """Keep every so many points only, evenly or by chance."""
    step, n = rng.choice((2, 5, 10, 60, 600)), one.time_us.size
    if rng.random() < 0.5:
        return _only(one, np.arange(n) % step == 0)
    return _only(one, np.random.default_rng(rng.randrange(2**32)).random(n) < 1 / step)


def dead_band(rng: Random, one: TagSamples) -> TagSamples:
    """Keep a point only where the value has left a band around the last one kept."""
    finite = one.value[np.isfinite(one.value)]
    span = float(np.ptp(np.clip(finite, -1e100, 1e100))) if finite.size else 0.0
    band, keep, last = span * rng.choice((0.0, 0.01, 0.1, 0.5)), [], float("nan")
    for value in one.value.tolist():
        is_new = not abs(value - last) <= band
        keep.append(is_new)
        last = value if is_new else last
    return _only(one, np.array(keep, np.bool_))


def coarse(rng: Random, one: TagSamples) -> TagSamples:
    """Round the values to a few levels."""
    with np.errstate(all="ignore"):
        levels = np.nanstd(one.value) * rng.choice((0.1, 1.0, 3.0)) if one.value.size else 0.0
        if not (np.isfinite(levels) and levels):
            return one
        return _valued(one, np.round(one.value / levels) * levels)


def flicker(rng: Random, one: TagSamples) -> TagSamples:
    """Change between two values at each point."""
    low, high = rng.choice(((0.0, 1.0), (1.0, 0.0), (-5.0, 1e4), (0.4, 0.6)))
    value = one.value.copy()
    run = _run(rng, one)
    value[run] = np.where(np.arange(value[run].size) % 2, low, high)
    return _valued(one, value)


def jumps(rng: Random, one: TagSamples) -> TagSamples:
    """Shift the values of a run, as a counter that jumps or a transmitter that is set anew."""
    value, run = one.value.copy(), _run(rng, one)
    value[run] += rng.choice((1.0, 7.0, -3.0, 0.5, 100.0, 65536.0))
    return _valued(one, value)


def noise(rng: Random, one: TagSamples) -> TagSamples:
    """Replace a run by noise."""
    value, run = one.value.copy(), _run(rng, one)
    random = np.random.default_rng(rng.randrange(2**32))
    value[run] = random.normal(size=value[run].size) * rng.choice((1e-6, 1.0, 1e5))
    return _valued(one, value)


def clock_jump(rng: Random, one: TagSamples) -> TagSamples:
    """Move the time stamps of a run; what then lies at or before an earlier one is lost."""
    time = one.time_us.copy()
    time[_run(rng, one)] += int(rng.choice((-3600, -30, -1.5, 0.1, 7, 3600)) * 1e6)
    time, places = np.unique(time, return_index=True)
    return TagSamples(time, one.value[places], one.quality[places])


def one_hour(rng: Random, one: TagSamples) -> TagSamples:
    """Leave the points of one hour only, or hold the value outside of it."""
    hour = (one.time_us - one.time_us[0]) // 3_600_000_000
    inside = hour == rng.randrange(24)
    if rng.random() < 0.5 or not inside.any():
        return _only(one, inside)
    return _valued(one, np.where(inside, one.value, 0.0))


DAMAGES: tuple[Damage, ...] = (
    constant,
    spikes,
    no_numbers,
    few_points,
    a_part,
    scaled,
    bad_quality,
    thinner,
    dead_band,
    coarse,
    flicker,
    jumps,
    noise,
    clock_jump,
    one_hour,
)
