"""Condition: a day's raw samples -> signals that may be trusted, and what is wrong with the rest.

Only Good points inside the instrument's range pass. An Uncertain or Bad point, one outside the
range or pegged at its upper end, and a value that has frozen are left out and counted, so that a
sensor fault is never taken for a fault of the baghouse.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from rowcall.condition.counter import (
    names_other_rows,
    unmapped_numbers,
    unmapped_text,
)
from rowcall.condition.declaration import declared_otherwise
from rowcall.condition.flat_runs import FlatRuns, flat_runs
from rowcall.condition.quantiles import median
from rowcall.condition.sampling import reach
from rowcall.model import Floats, Signal, TagHealth
from rowcall.site import ROLES, Baghouse, Role, Sample, Tag
from rowcall.store.samples import TagSamples

Place = tuple[Role, int, int]

_FROZEN_S = 3600.0  # chosen: no live signal of a `never_still` role repeats a value for an hour
_MOST = 1e12  # of any inside unit; chosen: nothing at a plant is so large, and its squares add up
_MIN_COVERAGE = 0.5  # chosen: with less than half a day, a day's verdict would mislead


@dataclass(frozen=True, slots=True)
class Conditioned:
    """The trusted signals of a day by (role, compartment, row), 0 meaning shared, and health.

    flat: runs of one value, Good and in range, those that were left out as frozen too.
    """

    signals: Mapping[Place, Signal]
    health: tuple[TagHealth, ...]
    flat: Mapping[Place, FlatRuns]


def condition(
    baghouse: Baghouse,
    start: datetime,
    end: datetime,
    samples: Mapping[str, TagSamples],
    before: Mapping[str, tuple[int, float, int]],
) -> Conditioned:
    """Gate and convert one baghouse-day.

    Args:
        start, end: the plant-local day as UTC instants.
        samples: per tag the day's samples in the historian's unit.
        before: per tag the last sample before the day (time_us, value, quality), for step tags.
    """
    if not any(tag.time_us.size for tag in samples.values()):
        before = {}  # nothing arrived at all: a held value would pass for a quiet day
    done: dict[int, tuple[Signal, TagHealth]] = {}
    flat: dict[Place, FlatRuns] = {}
    recorded, by_change = 0.0, Sample.ON_CHANGE
    # What is recorded on change comes last: the others show how much of the day was recorded.
    for k, tag in sorted(enumerate(baghouse.tag), key=lambda one: one[1].sample is by_change):
        raw = _with_before(tag, samples.get(tag.tag), before.get(tag.tag))
        signal, report, runs = _condition_tag(tag, start, end, raw, recorded)
        done[k] = signal, report
        flat[tag.role, tag.compartment or 0, tag.row or 0] = runs
        if tag.sample is not by_change:
            recorded = max(recorded, done[k][1].coverage_frac)
    signals: dict[Place, Signal] = {}
    for k, tag in enumerate(baghouse.tag):
        signal, report = done[k]
        if tag.role is Role.STEP_COUNTER and not report.problem:
            mapped = baghouse.counted_rows(tag.compartment or 0)
            is_stated = tag.numbers is not None
            unmapped = unmapped_numbers(signal, mapped, is_stated=is_stated)
            if unmapped:
                done[k] = signal, replace(report, problem=unmapped_text(unmapped))
                if names_other_rows(signal, mapped, is_stated=is_stated):
                    continue
        if not report.problem or (signal.time_s.size and report.coverage_frac >= _MIN_COVERAGE):
            signals[tag.role, tag.compartment or 0, tag.row or 0] = signal
    return Conditioned(signals, tuple(done[k][1] for k in range(len(done))), flat)


def _condition_tag(
    tag: Tag, start: datetime, end: datetime, raw: TagSamples, recorded: float
) -> tuple[Signal, TagHealth, FlatRuns]:
    """Gate one tag; `recorded` is the share of the day in which any tag was seen to be recorded."""
    time_s = (raw.time_us - start.timestamp() * 1e6) / 1e6
    unit = tag.outside_unit
    with np.errstate(over="ignore"):
        inside = raw.value * tag.scale * unit.factor + unit.offset
    is_bad = (raw.quality != 0) | ~np.isfinite(inside)
    is_out = ~is_bad & _out_of_range(tag, inside)
    runs = flat_runs(time_s, inside)
    is_frozen = ~is_bad & ~is_out & _frozen(tag, runs, inside.size)
    keep = ~(is_bad | is_out | is_frozen)
    step_s = median(np.diff(time_s))
    far = reach(tag.sample, step_s)
    is_step = tag.sample is Sample.ON_CHANGE
    signal = Signal(time_s[keep], inside[keep], is_step, far.gap_s, far.bridge_s)
    coverage = _coverage(signal, (end - start).total_seconds())
    if is_step and signal.time_s.size:
        coverage = max(coverage, recorded)  # where nothing changes, nothing is recorded
    report = TagHealth(
        tag=tag.tag,
        role=tag.role,
        compartment=tag.compartment or 0,
        row=tag.row or 0,
        n_points=int(time_s.size),
        n_bad=int(is_bad.sum()),
        n_out_of_range=int(is_out.sum()),
        coverage_frac=coverage,
        step_s=step_s,
        problem=_problem(time_s, inside, is_bad, is_out, is_frozen, coverage),
        note=declared_otherwise(tag.sample, raw.time_us[~is_bad], raw.value[~is_bad]),
    )
    return signal, report, runs.mostly(~(is_bad | is_out))


def _with_before(
    tag: Tag, samples: TagSamples | None, before: tuple[int, float, int] | None
) -> TagSamples:
    """The day's samples of a tag, behind the one before the day where that still holds."""
    day = samples or TagSamples(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
    if tag.sample is Sample.AT_INTERVALS or before is None:
        return day
    return TagSamples(
        np.concatenate(([before[0]], day.time_us)),
        np.concatenate(([before[1]], day.value)),
        np.concatenate(([before[2]], day.quality)),
    )


def _out_of_range(tag: Tag, inside: Floats) -> npt.NDArray[np.bool_]:
    if tag.span is not None:
        low, high = (tag.outside_unit.to_inside(end) for end in tag.span)
        slack = 0.005 * (high - low)  # chosen: half a percent under-range is transmitter zero
        return (inside < low - slack) | (inside >= high)
    low, high = ROLES[tag.role].possible or (-_MOST, _MOST)
    return (inside < low) | (inside > high)


def _frozen(tag: Tag, runs: FlatRuns, n_points: int) -> npt.NDArray[np.bool_]:
    """Mark runs of one and the same value that last longer than a live signal could hold it.

    A value of exactly zero is left in: a stopped unit has no flow and no DP.
    """
    frozen = np.zeros(n_points, np.bool_)
    if not ROLES[tag.role].never_still or tag.sample is not Sample.AT_INTERVALS:
        return frozen
    is_long = (runs.end_s - runs.begin_s >= _FROZEN_S) & (runs.value != 0)
    for first, last in zip(runs.first[is_long], runs.last[is_long], strict=True):
        frozen[first:last] = True
    return frozen


def _coverage(signal: Signal, seconds: float) -> float:
    """Share of the day not lost in gaps, and not where no value of a step tag holds."""
    if signal.time_s.size == 0:
        return 0.0
    edges = np.clip(np.concatenate(([0.0], signal.time_s, [seconds])), 0.0, seconds)
    gaps = np.diff(edges)
    if signal.step:
        held_until = np.clip(signal.time_s + signal.longest_hold_s, 0.0, seconds)
        lost = gaps[0] + np.clip(edges[2:] - held_until, 0.0, gaps[1:]).sum()
    else:
        lost = gaps[gaps > signal.longest_hold_s].sum()
    return float(1.0 - lost / seconds)


def _problem(
    time_s: Floats,
    inside: Floats,
    is_bad: npt.NDArray[np.bool_],
    is_out: npt.NDArray[np.bool_],
    is_frozen: npt.NDArray[np.bool_],
    coverage: float,
) -> str:
    """Say in words what makes a tag unusable for part of the day; empty when nothing does."""
    if time_s.size == 0:
        return "no value arrived for this day"
    if is_bad.all():
        return "every value was marked Bad or Uncertain, or was no number"
    if (is_bad | is_out).all():
        return "every value was outside its range"
    if is_frozen.any():
        share = is_frozen.sum() / time_s.size
        first = time_s[np.argmax(is_frozen)]
        return (
            f"the value did not change for {share:.0%} of the points "
            f"(first from {first / 3600:.1f} h after the day began): transmitter frozen?"
        )
    if coverage < _MIN_COVERAGE:
        return f"only {coverage:.0%} of the day is covered"
    return ""
