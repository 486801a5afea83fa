"""The controller works with other settings than the site file states.

Why: set points, intervals and pulse lengths are changed at the controller and forgotten. Bags are
then cleaned harder or softer than was meant, and whoever reads the site file is misled; so are
rules that compare with it. Rule out: a bit that is scanned, whose length is that of the scan; a
timer that pauses between passes, which is not cleaning on demand; a row that is off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
import polars as pl

from rowcall.condition.state import State
from rowcall.diagnosis.pulsing import goes_by_dp, longest, minute_dp, minutes_at_rest, minutes_in
from rowcall.diagnosis.row_rules import ROWS_NAMED
from rowcall.diagnosis.settings_seen import Setting, differs, first_day, is_scanned, settings_of
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Limits,
    Need,
    Quantity,
    Rule,
    Urgency,
    Work,
    limit,
    work,
)
from rowcall.site import Role, Sample
from rowcall.units import Dimension

_HELD_S = 1.0  # chosen: no valve is energised for so long; such a bit is held until the next pulse
_MIN_STEPS = 20  # chosen: from row to row, before an order is judged
_SAYS = {
    Fact.ROW_INTERVAL_S: "rows are pulsed {} apart",
    Fact.PULSE_LENGTH_S: "pulses last {}",
    Fact.START_DP_PA: "cleaning starts at {}",
    Fact.STOP_DP_PA: "cleaning stops at {}",
}

_DP_LEVELS = frozenset({Fact.START_DP_PA, Fact.STOP_DP_PA})


@dataclass(frozen=True, slots=True)
class _Seen:
    """What is known of the settings, in words: other than stated, as stated, not seen.

    facts: those of the others.
    """

    other: list[str]
    facts: list[Fact]
    same: list[str]
    unseen: list[str]
    values: list[Quantity]


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse, by every setting that its data shows."""
    seen = _Seen([], [], [], [], [])
    ago = [_compare(context, one, seen) for one in settings_of(context.day, context.facts)]
    _compare_mode(context, seen)
    _compare_order(context, seen)
    subject = context.subject()
    unseen = f" Not seen: {', '.join(seen.unseen)}." if seen.unseen else ""
    if seen.other:
        begun = context.day.start - timedelta(days=max(ago))
        ask = _ASK if _DP_LEVELS.isdisjoint(seen.facts) else _COMPARE
        logged = _logged(context, max(ago))
        yield context.found(
            subject,
            Urgency.WATCH,
            f"{'. '.join(one.removesuffix('.') for one in seen.other)}.{logged}{unseen}",
            _CORRECT if logged else ask,
            (*seen.values, Quantity("n_settings", float(len(seen.other)), "1")),
            start=begun,
        )
    elif seen.same:
        text = f"As in the site file: {', '.join(seen.same)}.{unseen}"
        yield Answer.clear(subject, text, seen.values)
    else:
        why = "no setting of the controller can be seen in this day's data"
        yield Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)


def _compare(context: Context, setting: Setting, seen: _Seen) -> float:
    """Note one setting; return since how many days it differs, 0 where it does not."""
    allowed = _allowed(context, setting)
    if not np.isfinite(setting.found) or not _is_seen(context.day, setting, allowed):
        seen.unseen.append(setting.words)
        return 0.0
    unit = "Pa" if setting.fact in _DP_LEVELS else "s"
    seen.values.append(Quantity(setting.fact.column, setting.found, unit))
    found, stated = setting.scale.show(setting.found), setting.scale.show(setting.stated)
    says = _SAYS[setting.fact].format(found)
    if not differs(setting, allowed):
        seen.same.append(says)
        return 0.0
    seen.facts.append(setting.fact)
    since, ago = first_day(context.day, setting, allowed)
    when = f" ({since})" if since else ""
    seen.other.append(f"{says[0].upper()}{says[1:]}{when}; the site file has {stated}")
    return ago


def _allowed(context: Context, setting: Setting) -> float:
    limits, cleaning = context.limits, context.day.baghouse.cleaning
    if setting.fact is Fact.ROW_INTERVAL_S:
        return max(limits["interval_share"] * setting.stated, limits["interval_time"])
    if setting.fact is Fact.PULSE_LENGTH_S:
        return max(limits["length_share"] * setting.stated, limits["length_time"])
    return dp_allowed(limits, setting.stated, cleaning.start_dp - cleaning.stop_dp)


def dp_allowed(limits: Limits, level: float, band: float) -> float:
    """Return by how much a set point may be found off [Pa]."""
    return max(limits["level_share"] * level, limits["band_share"] * band)


def _is_seen(day: BaghouseDay, setting: Setting, allowed: float) -> bool:
    """Return whether points are fine enough to show a time; levels of DP always are."""
    if setting.fact is Fact.PULSE_LENGTH_S:
        return 0 < setting.found < _HELD_S and not is_scanned(day, setting.found)
    if setting.fact is not Fact.ROW_INTERVAL_S:
        return True
    spaced = {tag.tag for tag in day.baghouse.tag if tag.sample is Sample.AT_INTERVALS}
    steps = [one.step_s for one in day.health if one.role in ROWS_NAMED and one.tag in spaced]
    return day.fires_known and not day.inferred and max(steps, default=0.0) <= allowed


def _compare_mode(context: Context, seen: _Seen) -> None:
    day = context.day
    rests_running = minutes_in(day, State.RUNNING) & minutes_at_rest(day)[0]
    if day.fires_known and day.baghouse.cleaning.mode == "on_time":
        start_pa = goes_by_dp(day)
        if np.isfinite(start_pa):
            level = day.units.dp.show(start_pa)
            seen.other.append(f"Cleaning starts at {level}; the site file has cleaning on time")
            return
        is_same = minutes_in(day, State.RUNNING).any() and not rests_running.any()
    else:
        n_below = 0 if rests_running.any() else _pulsed_below(context)
        if n_below >= context.limits["below_time"] / 60:
            seen.other.append(
                f"Pulses go on without a pause for {n_below} min with DP below the level at which "
                "cleaning stops; the site file has cleaning on demand"
            )
            return
        is_same = (Fact.START_DP_PA, 0, 0) in context.facts
    (seen.same if is_same else seen.unseen).append("mode")


def _pulsed_below(context: Context) -> int:
    """Return the longest time running with pulses at a DP below the stop set point [min]."""
    day, cleaning = context.day, context.day.baghouse.cleaning
    slack = dp_allowed(context.limits, cleaning.stop_dp, cleaning.start_dp - cleaning.stop_dp)
    is_low = minute_dp(day) < cleaning.stop_dp - slack
    pulsed = minutes_in(day, State.RUNNING) & ~minutes_at_rest(day)[1]
    begin, end = longest(pulsed & is_low)
    return end - begin


def _compare_order(context: Context, seen: _Seen) -> None:
    day, order = context.day, context.day.baghouse.firing_order
    if order is None:
        return
    shown = [
        found
        for compartment in range(1, day.baghouse.compartments + 1)
        if (found := _order(day, compartment)) and compartment not in day.inferred
    ]
    if not shown or not day.fires_known:
        seen.unseen.append("order of the rows")
        return
    for compartment, rows, follows in shown:
        wanted = [row for row in order if row in rows]
        if follows < context.limits["order_share"]:
            as_found, stated = (", ".join(map(str, one)) for one in (rows, wanted))
            where = f" of compartment {compartment}" if day.baghouse.compartments > 1 else ""
            seen.other.append(
                f"Rows{where} are pulsed in the order {as_found}; the site file has {stated}"
            )
    if all(follows >= context.limits["order_share"] for *_, follows in shown):
        seen.same.append("order of the rows")


def _order(day: BaghouseDay, compartment: int) -> tuple[int, list[int], float] | None:
    """Return the order of a compartment's rows and the share of steps that go as stated."""
    mine = day.pulses.filter(pl.col("compartment") == compartment).drop_nulls("row").sort("time_s")
    rows = mine["row"].to_list()
    stated = [row for row in day.baghouse.firing_order or () if row in set(rows)]
    if len(rows) <= _MIN_STEPS or len(stated) < 3:
        return None
    steps = list(pairwise(rows))
    after = {row: stated[(n + 1) % len(stated)] for n, row in enumerate(stated)}
    follows = sum(after.get(one) == two for one, two in steps) / len(steps)
    found = [stated[0]]
    while len(found) < len(stated):
        after_last = [two for one, two in steps if one == found[-1] and two not in found]
        if not after_last:
            break
        found.append(max(set(after_last), key=lambda row: (after_last.count(row), -row)))
    return compartment, found, follows


def _logged(context: Context, days_ago: float) -> str:
    """Name a change of set points that the work log has since the day before it was first seen."""
    first = context.day.day - timedelta(days=days_ago + 1)
    done = [
        entry
        for entry in context.work.of(Work.SET_POINT_CHANGED)
        if entry.touches(context.subject()) and entry.day >= first
    ]
    return f" The work log has a change of set point on {done[-1].date}." if done else ""


_WHO = (
    "who changed it and why; write it into the work log and correct the site file, or have it set "
    "back."
)
_ASK = work(outside=f"Ask {_WHO}")
# A transmitter that drifts moves both set points as the historian has them.
_COMPARE = work(outside=f"Compare the DP transmitter with a gauge; if it reads right, ask {_WHO}")
_CORRECT = work(outside="Correct the site file, if the change is to stay.")

RULE = Rule(
    name="settings_differ",
    title="Cleaning set otherwise than in the site file",
    chapter=Chapter.CLEANING,
    looks_for="Set points, times, order of rows and mode of cleaning as found in the data, against "
    "the site file.",
    needs=(
        Need(
            any_of=(*ROWS_NAMED, Role.HEADER_PRESSURE),
            purpose="to see when rows are pulsed",
        ),
    ),
    thresholds=(
        limit(
            "level_share",
            "2 %",
            "of a level of DP by which it may be found off",
            chosen="two transmitters of one DP differ by as much",
        ),
        limit(
            "band_share",
            "10 %",
            "of the band from start to stop by which a level may be found off",
            chosen="a set point is found within a few per cent of the band; nobody sets it finer",
        ),
        limit(
            "interval_share",
            "5 %",
            "of the time from row to row by which it may be found off",
            chosen="timers with a dial are set no finer",
        ),
        limit(
            "interval_time",
            "0.6 s",
            "by which the time from row to row may be found off",
            chosen="some controllers count from the end of a pulse, and scan once in half a second",
            dimension=Dimension.TIME,
        ),
        limit(
            "length_share",
            "20 %",
            "of the pulse length by which it may be found off",
            chosen="less changes little of what a pulse does",
        ),
        limit(
            "length_time",
            "20 ms",
            "by which the pulse length may be found off",
            chosen="outputs and their record take a scan of 10 ms each",
            dimension=Dimension.TIME,
        ),
        limit(
            "order_share",
            "0.5",
            "of steps from row to row as stated, below which the order is another one",
            chosen="between one row skipped (all steps but two) and another order (hardly any)",
        ),
        limit(
            "below_time",
            "60 min",
            "time of pulses without a pause at a DP below where cleaning stops",
            chosen="a pass of all rows that is finished below it takes minutes",
            dimension=Dimension.TIME,
        ),
    ),
    check_first=("controller: set points, interval, pulse time, order, mode", "work log"),
    confused_with="a scanned bit, whose length is the scan's; a DP transmitter that drifts, or "
    "reads otherwise than the controller's",
    cautions=(Caution.LOCKOUT,),
    judge=judge,
    does_without=(Role.DP,),
    excused_off=True,
)
