"""More starts than usual, or a start warmed faster or slower than the site's own starts.

Why: each start and stop passes the dew points, cracks cake off and works the casing as it warms;
warmed too fast, seams and casing are stressed and cold corners stay wet, too slowly, gas is below
its dew points for long. What a unit bears is not published: it is held against itself. Rule out: a
start after a longer halt, which begins colder.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.model import (
    Answer,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, show

_SELDOM = 0.9  # chosen: starts after a short and a long halt differ twofold, and both are usual


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by the starts of the day and of the days before."""
    facts, subject = context.facts, context.subject()
    n = facts.of(Fact.N_STARTS)
    if math.isnan(n):
        why = "no tag shows when gas flowed"
        yield Answer.cannot_tell(subject, why, Lack.TAG, "gas flow")
        return
    values = [Quantity("starts", n, "1")]
    if n:
        values += [
            Quantity("fastest", facts.of(Fact.START_RAMP_K_MIN), "K/min"),
            Quantity("longest", 60 * facts.of(Fact.START_MIN), "s"),
        ]
    seen = _seen(context, n)
    if found := "; ".join(_unusual(context, n)):
        text = f"{found[0].upper()}{found[1:]}. Today: {seen}."
        yield context.found(subject, Urgency.WATCH, text, _ACTION, values)
        return
    past = len(context.history.of(Fact.START_MIN)[0])
    if n and past < context.limits["history_starts"]:
        why = f"{seen}; what is usual is not known from {past} earlier days with a start"
        yield Answer.cannot_tell(subject, why, Lack.HISTORY, values=values)
        return
    yield Answer.clear(subject, f"As usual: {seen}.", values)


def _unusual(context: Context, n: float) -> Iterator[str]:
    """Yield what is unlike the site's own starts, of which one in ten may be left out."""
    limits, units = context.limits, context.units
    many = context.history.usual(
        Fact.N_STARTS, 0, 0, quantile=_SELDOM, min_days=limits["history_days"]
    )
    if n >= limits["starts"] and n > limits["more"] * many:
        yield f"{n:.0f} starts in a day, seldom more than {many:.0f} before"
    ramp, usual = _against_usual(context, Fact.START_RAMP_K_MIN)
    if ramp >= limits["faster"] * usual and ramp >= limits["min_ramp"]:
        fast, as_before = (f"{units.warming.show(one, 1)} a minute" for one in (ramp, usual))
        yield f"a start warmed by {fast}, seldom more than {as_before} before"
    length, usual = _against_usual(context, Fact.START_MIN)
    if length >= limits["slower"] * usual and 60 * (length - usual) >= limits["slower_by"]:
        yield f"a start took {length:.0f} min, seldom more than {usual:.0f} min before"


def _against_usual(context: Context, fact: Fact) -> tuple[float, float]:
    usual = context.history.usual(
        fact, 0, 0, quantile=_SELDOM, min_days=context.limits["history_starts"]
    )
    return context.facts.of(fact), usual


def _seen(context: Context, n: float) -> str:
    if not n:
        return "no start"
    began = context.day.starts.filter(kind="start")["begin_s"]
    clocks = (context.at(one).astimezone(context.day.zone) for one in began)
    starts = "1 start" if n == 1 else f"{n:.0f} starts"
    length = show(60 * context.facts.of(Fact.START_MIN), "min", 0)
    return f"{starts} ({', '.join(f'{one:%H:%M}' for one in clocks)}), the longest {length}"


_ACTION = work(
    outside="Ask operations what stopped the unit and how it was heated up; compare with the start "
    "procedure, and watch residual DP and opacity this week."
)

RULE = Rule(
    name="unusual_starts",
    title="Unusual starts",
    chapter=Chapter.TEMPERATURE,
    looks_for="More starts than usual, or a start warmed faster or slower than the site's own.",
    needs=(
        Need(
            any_of=(Role.GAS_FLOW, Role.FAN_SIGNAL, Role.DP),
            purpose="to see when gas flowed",
            max_step_s=300.0,  # chosen: shorter halts are none for the pipeline either
        ),
    ),
    thresholds=(
        limit(
            "starts",
            "3",
            "starts in a day that count",
            chosen="two may be one that was broken off and tried again",
        ),
        limit(
            "more",
            "1",
            "times the starts of all but one in ten days, above which there are many",
            chosen="a unit that starts each shift does so as it should",
        ),
        limit(
            "faster",
            "1.5",
            "ratio to the fastest warming of all but one in ten earlier days with a start",
            chosen="a halt longer than all before warms a little faster too",
        ),
        limit(
            "min_ramp",
            "3 K/min",
            "warming below which no start is fast",
            chosen="an inlet tag drifts by as much where the duct is warmed slowly",
            dimension=Dimension.WARMING_RATE,
        ),
        limit(
            "slower",
            "1.5",
            "ratio to the longest start of all but one in ten earlier days with a start",
            chosen="a halt longer than all before takes a little longer too",
        ),
        limit(
            "slower_by",
            "30 min",
            "and longer by at least this",
            chosen="less is one pause of the heating",
            dimension=Dimension.TIME,
        ),
        limit(
            "history_starts",
            "5",
            "days with a start that make the usual one",
            chosen="fewer may all be of short halts",
        ),
        limit(
            "history_days",
            "14",
            "days that make the usual count",
            chosen="two weeks hold each weekday twice",
        ),
    ),
    check_first=("why the unit stopped, and how it was heated up; the start procedure",),
    confused_with="a start after a longer halt",
    cautions=(),
    judge=judge,
)
