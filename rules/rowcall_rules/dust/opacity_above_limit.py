"""Opacity above its limit: six-minute averages by the clock while gas flows.

Why: the limit of a permit is one of averages over the ten parts of each hour (40 CFR 60.2) of 36 or
more evenly spaced points (60.13(h)). What else happened then (a start, a stop, an upset, cleaning)
says where to look first. Rule out: the monitor's own zero and span checks, which are found by their
shape, by the time of day at which they come again, or from the site file. rowcall reports; the
record of the plant's monitoring system is the one that counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from rowcall.condition.minutes import shared_signal
from rowcall.condition.state import State
from rowcall.diagnosis.dust_words import NO_RECORD
from rowcall.diagnosis.pulsing import minutes_in
from rowcall.events.dust.checks import Check, find_checks
from rowcall.events.dust.six_minutes import BLOCK_S, Averages, six_minute_averages
from rowcall.events.operation.gas_seconds import gas_seconds
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    Rule,
    Signal,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, percent

_KEY = '`opacity_limit = "20 %"`'
_SHOWN = 5  # chosen: so many exceedances are listed one by one
_BESIDE_S = 1800.0  # [s] chosen: a start or stop so near has to do with it
_UPSET_S = 900.0  # [s] chosen: what upsets the process shows in opacity within a quarter hour
_MIN_REST = 60  # chosen: minutes of the rest of the day, of fewer nothing is usual
_WARMTH = "inlet_temperature_c"
# Columns of the minute table; by how much each must be off the rest of the day [-, K], chosen.
_OF_PROCESS = (
    ("gas_flow_m3_s", "gas flow", 0.15),
    ("dp_pa", "DP", 0.25),
    (_WARMTH, "inlet temperature", 15.0),
)
_SAME_TIME_S = 600.0  # [s] chosen: a check comes at the same time of day to minutes
_TIMES_SEEN = 2  # chosen: days on which a flat level at that time of day makes it a check


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse."""
    day, subject = context.day, context.subject()
    bound = day.baghouse.opacity_limit
    if bound is None:
        why = f"the site file gives no limit of opacity; the line {_KEY} would change that"
        yield Answer.cannot_tell(subject, why, Lack.SITE_KEY, f"the limit of opacity ({_KEY})")
        return
    signal = shared_signal(day.signals, Role.OPACITY)
    gas = gas_seconds(day.baghouse, day.signals, day.seconds)
    if signal is None or gas is None:
        yield Answer.cannot_tell(subject, "no tag shows when gas flowed", Lack.TAG, "gas flow")
        return
    yield _judge(context, bound, six_minute_averages(signal, gas, _checks(context, signal)))


def _judge(context: Context, bound: float, seen: Averages) -> Answer:
    n_valid, n = int(seen.is_valid.sum()), seen.is_valid.size
    runs = seen.above(bound)
    n_above = int((seen.mean > bound).sum())
    counted = f"{n_valid:,} valid six-minute averages of {n:,} while gas flowed"
    values = (
        Quantity("n_above", n_above, "1"),
        Quantity("n_valid", n_valid, "1"),
        Quantity("n_periods", n, "1"),
        Quantity("max_average", float(np.nanmax(seen.mean)) if n_valid else np.nan, "1"),
    )
    if runs:
        listed = "; ".join(_written(context.day, run) for run in runs[:_SHOWN])
        more = f"; and {len(runs) - _SHOWN} more" if len(runs) > _SHOWN else ""
        text = (
            f"{n_above:,} six-minute averages above {percent(bound)}: {listed}{more}. {counted}; "
            f"{NO_RECORD}."
        )
        many = n_above * BLOCK_S >= context.limits["now"]
        return context.found(
            context.subject(),
            Urgency.NOW if many else Urgency.WATCH,
            text,
            _ACTION,
            values,
            start=context.at(runs[0][0]),
            end=context.at(runs[-1][1]),
        )
    if n_valid < context.limits["covered"] * n:
        why = f"only {counted}; an average takes 36 evenly spaced points"
        return Answer.cannot_tell(context.subject(), why, Lack.COVERAGE, "opacity", values=values)
    if not n:
        return Answer.clear(context.subject(), "No gas flowed on this day.", values)
    text = f"No six-minute average above {percent(bound)}: the highest is "
    return Answer.clear(
        context.subject(),
        f"{text}{percent(float(np.nanmax(seen.mean)), 1)}; {counted}; {NO_RECORD}.",
        values,
    )


def _written(day: BaghouseDay, run: tuple[float, float, float]) -> str:
    """Write one exceedance with what happened around it."""
    begin, end = (_clock(day, second) for second in run[:2])
    beside = [*_starts(day, run), *_upsets(day, run), *_cleaning(day, run)]
    also = f" ({', '.join(beside)})" if beside else ""
    return f"{begin}-{end} up to {percent(run[2], 1)}{also}"


def _clock(day: BaghouseDay, second: float) -> str:
    at = min(day.end, day.start + timedelta(seconds=second))
    return "24:00" if at == day.end else f"{at.astimezone(day.zone):%H:%M}"


def _starts(day: BaghouseDay, run: tuple[float, float, float]) -> list[str]:
    near = day.starts.filter(
        (pl.col("begin_s") < run[1] + _BESIDE_S) & (pl.col("end_s") > run[0] - _BESIDE_S)
    )
    return [f"at a {kind}" for kind in near["kind"].unique().sort()]


def _upsets(day: BaghouseDay, run: tuple[float, float, float]) -> Iterator[str]:
    """Say what of the process was then, or just before, as it hardly was on the rest of the day."""
    if day.minutes.is_empty():
        return
    at, running = day.minutes["minute"].to_numpy(), minutes_in(day, State.RUNNING)
    near = (at >= (run[0] - _UPSET_S) / 60) & (at < run[1] / 60)
    for column, words, least in _OF_PROCESS:
        if column not in day.minutes.columns:
            continue
        value = day.minutes[column].fill_null(np.nan).to_numpy()
        known = np.isfinite(value) & running
        then, rest = value[near & known], value[~near & known]
        if not then.size or rest.size < _MIN_REST:
            continue
        usual, low, high = np.quantile(rest, (0.5, 0.01, 0.99)).tolist()
        is_warmth = column == _WARMTH
        if usual <= 0.0 and not is_warmth:
            continue  # a share of nothing
        found = float(max(then.min(), then.max(), key=lambda one: abs(one - usual)))
        off = (found - usual) / (1.0 if is_warmth else usual)
        if abs(off) >= least and not low <= found <= high:
            size = day.units.warming.show(abs(off)) if is_warmth else percent(abs(off))
            yield f"{words} {size} {'up' if off > 0 else 'down'}"


def _cleaning(day: BaghouseDay, run: tuple[float, float, float]) -> list[str]:
    """Say where rows were pulsed at least twice as often as on the day as a whole."""
    if day.pulses.is_empty():
        return []
    n = day.pulses.filter(pl.col("time_s").is_between(run[0], run[1])).height
    usual = day.pulses.height * (run[1] - run[0]) / day.seconds
    return [f"{n} pulses, usually {usual:.0f}"] if n > 2 * usual else []


def _checks(context: Context, signal: Signal) -> list[Check]:
    """Return the checks to leave out: sure ones, those of the site file, those that come again."""
    found = find_checks(signal)
    _, past = context.history.of(Fact.OPACITY_CHECK_S)
    again = [
        one
        for one in found
        if one.is_sure or (np.abs(past - one.begin_s) < _SAME_TIME_S).sum() >= _TIMES_SEEN
    ]
    return [*again, *_stated(context.day)]


def _stated(day: BaghouseDay) -> Iterator[Check]:
    for span in day.baghouse.monitor_checks:
        begin, end = (
            datetime.combine(day.day, datetime.strptime(one, "%H:%M").time(), day.zone).timestamp()
            - day.start.timestamp()
            for one in span.split("-")
        )
        yield Check(begin, end, is_sure=True)


_ACTION = work(
    outside="Compare with the record of the monitoring system; see what the process did then, "
    "which row's puff is large, and whether dust between pulses is raised.",
    isolated="tube sheet and clean-air plenum, where it comes again without a start.",
)

RULE = Rule(
    name="opacity_above_limit",
    title="Opacity above its limit",
    chapter=Chapter.DUST,
    looks_for="Six-minute averages of opacity above the limit of the site file, while gas flows.",
    needs=(
        Need(
            any_of=(Role.OPACITY,),
            purpose="to average opacity over six minutes",
            max_step_s=10.0,  # 40 CFR 60.13(e): a sample every 10 s; 36 in six minutes
        ),
    ),
    thresholds=(
        limit(
            "now",
            "30 min",
            "time above the limit on a day: now",
            chosen="five averages are no puff of a start any more",
            dimension=Dimension.TIME,
        ),
        limit(
            "covered",
            "75 %",
            "share of the six-minute periods with gas that must be valid to call it clear",
            chosen="three quarters; what is missing is counted in the answer",
        ),
    ),
    check_first=(
        "the record of the monitoring system; zero and span of the monitor",
        "what the process did at that time: start, stop, upset, cleaning",
        "isolated: tube sheet and clean-air plenum",
    ),
    confused_with="zero and span checks of the monitor; water droplets in cold gas",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=("40 CFR 60.2, six-minute period", "40 CFR 60.13(e) and (h), from memory"),
    judge=judge,
)
