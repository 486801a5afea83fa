"""A row leaks: its pulses are followed by more dust than those of the other rows.

Why: a pulse shakes cake off and lets the bag swing; where a bag or its seat has a hole, dust passes
until new cake has closed it, so the monitor shows a puff each time this row is pulsed. Puffs of all
rows are separated by the known pulses (`events/dust`), and a row is named where it stands out of
what chance makes of rows permuted within each pass. Rule out: ordinary puffs of every row, new bags
until a cake has formed, over-cleaning, and the row before or after it where the delay from pulse to
monitor is not certain.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rowcall.diagnosis.dust_words import dust_role, show_dust
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    RowMark,
    Rule,
    Subject,
    Urgency,
    Work,
    WorkEntry,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import number

Place = tuple[int, int]
_TO_DEVIATION = 1.4826


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows whose puffs are known, and what is usual among them."""

    height: dict[Place, float]
    middle: float
    spread: float
    role: Role


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row by its puff, and for the baghouse by the puffs of all rows."""
    places = context.day.baghouse.all_rows()
    heights = {place: context.facts.of(Fact.PUFF, *place) for place in places}
    known = {place: height for place, height in heights.items() if math.isfinite(height)}
    if len(known) < context.limits["min_rows"]:
        yield Answer.cannot_tell(context.subject(), _why_unknown(context), Lack.ROW_SIGNAL)
        return
    values = np.array(list(known.values()))
    middle = float(np.median(values))
    spread = _TO_DEVIATION * float(np.median(np.abs(values - middle)))
    rows = _Rows(known, middle, spread, dust_role(context.facts))
    named = _named(context, [place for place in known if _is_large(context, rows, place)])
    for place in places:
        yield _row(context, rows, place, named)
    yield _all(context, rows)


def _why_unknown(context: Context) -> str:
    if not context.day.fires_known:
        return "which row was pulsed when is not known for every pulse"
    return "too few pulses while gas flowed, or points too far apart, to separate puffs of rows"


def _is_large(context: Context, rows: _Rows, place: Place) -> bool:
    """Whether a row stands out by chance hardly ever, and by so much that it matters."""
    limits, height = context.limits, rows.height[place]
    is_rare = context.facts.of(Fact.PUFF_P, *place) <= limits["p"]
    floor = max(limits["times"] * rows.middle, rows.middle + limits["spreads"] * rows.spread)
    error = context.facts.of(Fact.PUFF_ERROR, *place)
    base = context.facts.of(_BASES[rows.role])
    is_dust = not height < limits["min_share"] * base
    return is_rare and height - error >= floor and is_dust


_BASES = {Role.DUST_SIGNAL: Fact.DUST_BASE, Role.OPACITY: Fact.OPACITY_BASE}


def _named(context: Context, large: list[Place]) -> dict[Place, Place]:
    """Return the rows to name, each with the row that stands out today.

    Where the delay is uncertain that changes from day to day: the leak keeps the row under which it
    stood out most often.
    """
    rivals = _rivals(context)
    if len(large) != 1 or not rivals:
        return {place: place for place in large}
    (top,) = large
    return {max((top, *rivals), key=lambda one: (_n_led(context, one), one == top)): top}


def _row(context: Context, rows: _Rows, place: Place, named: dict[Place, Place]) -> Answer:
    subject = context.subject(*place)
    if place not in rows.height:
        why = "no pulse of it was followed by points of the dust monitor"
        return Answer.cannot_tell(subject, why, Lack.PHASES)
    if place in named:
        return _large(context, rows, place, named)
    candidates = [*named.values(), *_rivals(context)]
    if named and place in candidates:
        why = f"{_either(context, candidates)} leaks: the delay to the monitor is uncertain"
        return Answer.cannot_tell(subject, why, Lack.PHASES, values=_values(context, rows, place))
    shown = show_dust(context.day, rows.role, rows.height[place])
    usual = show_dust(context.day, rows.role, rows.middle)
    text = f"Its puff of {shown} does not stand out; the median row's is {usual}."
    return Answer.clear(subject, text, _values(context, rows, place))


def _large(context: Context, rows: _Rows, place: Place, named: dict[Place, Place]) -> Answer:
    subject, top = context.subject(*place), named[place]
    values = _values(context, rows, top)
    bags = _new_bags(context, subject)
    times = _ratio(rows, top)
    seen = _seen(context, rows, top, times)
    if bags is not None and times < context.limits["times_new"] and not _all_new(context, bags):
        text = f"{seen} Its bags were changed on {bags.date}: they puff until a cake has formed."
        return Answer.clear(subject, text, values)
    if not (_n_led(context, place) or _is_wide(context, rows, top, named.values())):
        why = f"{seen[0].lower()}{seen[1:]} One day does not name a row: it must lead on two days"
        return Answer.cannot_tell(subject, why, Lack.HISTORY, values=values)
    rivals = _rivals(context)
    lead = "Leaks after each pulse"
    if rivals:
        lead = f"{_either(context, [top, *rivals])} leaks after each pulse"
    after = f" Its bags were changed on {bags.date}: look for a badly seated bag." if bags else ""
    return context.found(
        subject, Urgency.NEXT_OUTAGE, f"{lead}: {seen[0].lower()}{seen[1:]}{after}", _ACTION, values
    )


def _seen(context: Context, rows: _Rows, place: Place, times: float) -> str:
    day = context.day
    usual = show_dust(day, rows.role, rows.middle)
    factor = f", {number(times, 1)} times the median row's {usual}" if times < 100 else ""
    delay = number(context.facts.of(Fact.PUFF_DELAY_S), 0)
    return (
        f"Its puff is {show_dust(day, rows.role, rows.height[place])}{factor}, about {delay} s "
        "after its pulse."
    )


def _ratio(rows: _Rows, place: Place) -> float:
    """Return a row's puff over the median row's; inf where that has none."""
    return rows.height[place] / rows.middle if rows.middle > 0 else math.inf


def _values(context: Context, rows: _Rows, place: Place) -> tuple[Quantity, ...]:
    return (
        Quantity("puff", rows.height[place], "1"),
        Quantity("puff_ratio", _ratio(rows, place), "1"),
        Quantity("puff_error", context.facts.of(Fact.PUFF_ERROR, *place), "1"),
        Quantity("median_puff", rows.middle, "1"),
        Quantity("puff_delay", context.facts.of(Fact.PUFF_DELAY_S), "s"),
        Quantity("puff_width", context.facts.of(Fact.PUFF_WIDTH_S), "s"),
        Quantity("p", context.facts.of(Fact.PUFF_P, *place), "1"),
    )


def _rivals(context: Context) -> list[Place]:
    rows = context.day.baghouse.all_rows()
    return [place for place in rows if (Fact.PUFF_RIVAL, *place) in context.facts]


def _either(context: Context, places: list[Place]) -> str:
    """Name candidates: `Row 7 or row 8`."""
    several = context.day.baghouse.compartments > 1
    names = [
        (f"compartment {c} " if several else "") + f"{context.day.row_word(c)} {row}"
        for c, row in sorted(set(places))
    ]
    text = " or ".join(names)
    return text[0].upper() + text[1:]


def _new_bags(context: Context, subject: Subject) -> WorkEntry | None:
    """Return the newest change of bags of a row in the time that they take to season."""
    first = context.day.day - timedelta(days=context.limits["seasoning_days"])
    changed = [e for e in context.work.of(Work.BAGS_CHANGED) if e.touches(subject)]
    recent = [entry for entry in changed if first < entry.day <= context.day.day]
    return recent[-1] if recent else None


def _all_new(context: Context, entry: WorkEntry) -> bool:
    """Whether that change was of all rows, so that none of them is new among old ones."""
    return entry.covers(context.subject())


def _n_led(context: Context, place: Place) -> int:
    """Return on how many of the last days the row stood out too."""
    if context.day.counts_places(place[0]):
        return 0
    days, past = context.history.of(Fact.PUFF_P, *place)
    first = context.day.day - timedelta(days=context.limits["within_days"])
    return sum(day >= first and p <= context.limits["p"] for day, p in zip(days, past, strict=True))


def _is_wide(context: Context, rows: _Rows, place: Place, large: Collection[Place]) -> bool:
    """Whether one day is enough: far above every row that does not leak."""
    others = [height for other, height in rows.height.items() if other not in large]
    margin = rows.height[place] - max(others, default=0.0)
    error = context.facts.of(Fact.PUFF_ERROR, *place)
    is_far = margin >= context.limits["margin_errors"] * error
    return is_far and margin >= context.limits["margin_times"] * max(rows.middle, 0.0)


def _all(context: Context, rows: _Rows) -> Answer:
    """Judge the puffs of all rows against those of other days."""
    subject, limits, day = context.subject(), context.limits, context.day
    usual = context.history.usual(Fact.PUFF, 0, 0, quantile=0.5, min_days=limits["usual_days"])
    shown = show_dust(day, rows.role, rows.middle)
    values = (Quantity("median_puff", rows.middle, "1"), Quantity("usual_puff", usual, "1"))
    bags = _new_bags(context, subject)
    if bags is not None:
        text = f"The median row's puff is {shown}; bags were changed on {bags.date}, and new ones "
        return Answer.clear(subject, f"{text}puff until a cake has formed.", values)
    base = context.facts.of(_BASES[rows.role])
    if not (rows.middle >= limits["times"] * usual and rows.middle >= limits["min_share"] * base):
        past = f"usually {show_dust(day, rows.role, usual)}" if math.isfinite(usual) else "so far"
        return Answer.clear(subject, f"The median row's puff is {shown}, {past}.", values)
    text = (
        f"Every row puffs more: the median row's puff is {shown}, usually "
        f"{show_dust(day, rows.role, usual)}. That is no leak of one row: over-cleaning, new bags, "
        "or fabric that lets dust through."
    )
    return context.found(subject, Urgency.WATCH, text, _ALL_ACTION, values)


_ACTION = work(
    outside="Watch the monitor while this row is pulsed manually, then its neighbours; plan it for "
    "the next stop.",
    isolated="the row's bags from the clean-air plenum: dust below a hole, a loose or tilted seat, "
    "a dropped bag; dye test where nothing shows, then plug or renew, and log the position.",
)
_ALL_ACTION = work(
    outside="Check set points, pulse pressure and pulse length for over-cleaning; read when bags "
    "were changed or pre-coated.",
    isolated="a bag for a laboratory test.",
)

RULE = Rule(
    name="leaking_row",
    title="Row leaks dust",
    chapter=Chapter.DUST,
    looks_for="A row whose pulses are followed by a larger puff of dust than those of other rows.",
    needs=(
        Need(
            any_of=(Role.DUST_SIGNAL, Role.OPACITY),
            purpose="to see the puff after a pulse",
            max_step_s=60.0,  # chosen: coarser points hardly ever meet a puff
        ),
    ),
    thresholds=(
        limit("min_rows", "4", "rows whose puffs are known", chosen="of fewer none stands out"),
        limit(
            "p",
            "0.01",
            "probability that by chance any row stands out as much",
            chosen="on two days for the same row it leaves one false row in millions of days",
        ),
        limit(
            "times",
            "2",
            "ratio to the median row's puff, and of that to its usual",
            chosen="sound rows differ by some tens of percent",
        ),
        limit(
            "spreads",
            "4",
            "and above it by so many standard deviations of the rows",
            chosen="rows of a few different bags are no leak",
        ),
        limit(
            "min_share",
            "5 %",
            "of the dust between pulses, below which a puff matters to nobody",
            chosen="it adds less than a thousandth to the dust of the day",
        ),
        limit(
            "within_days",
            "7",
            "days before in which the row must have stood out too",
            chosen="a leak lasts",
        ),
        limit(
            "margin_errors",
            "8",
            "standard errors above every sound row, by which one day is enough",
            chosen="chance makes no such margin in years",
        ),
        limit(
            "margin_times",
            "1",
            "and times the median row's puff",
            chosen="a whole ordinary puff above the largest sound row",
        ),
        limit(
            "seasoning_days",
            "14",
            "days for which new bags are excused",
            chosen="a cake forms within days to two weeks",
        ),
        limit(
            "times_new",
            "5",
            "ratio to the median row's puff from which a row of new bags is named all the same",
            chosen="a bag off its seat lets far more through than new cloth",
        ),
        limit(
            "usual_days",
            "7",
            "days that make the usual puff of the median row",
            chosen="a week holds its weekend",
        ),
    ),
    check_first=(
        "the monitor while this row is pulsed manually",
        "isolated: the row's bags and seats from the clean-air plenum; dye test",
    ),
    confused_with="new bags; over-cleaning; the row pulsed before or after it; ordinary puffs",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
        Caution.HEIGHT,
    ),
    marks=(RowMark("D", "leaks dust", "its pulses are followed by more dust than its peers'", 6),),
    judge=judge,
)
