"""Dust signal above its alarm level for too much of the time the unit ran, over half a year.

Why: rules of 40 CFR part 63 want a plan where the alarm of a bag leak detector is on for more than
5 % of the operating time of six months. Rule out: a monitor's checks and soiled windows. rowcall
counts points above the level while gas flows, without the alarm's own delay and averaging and
without the hours that a rule counts for each alarm; the plant's record is the one that counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from rowcall.diagnosis.dp_series import by_day
from rowcall.diagnosis.dust_words import NO_RECORD, show_dust
from rowcall.model import (
    Answer,
    Caution,
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
from rowcall.units import Dimension, number, percent

_KEY = '`dust_alarm = "12 mg/m3"`'


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse."""
    subject, level = context.subject(), context.day.baghouse.dust_alarm
    if level is None:
        why = f"the site file gives no alarm level; the line {_KEY} would change that"
        yield Answer.cannot_tell(subject, why, Lack.SITE_KEY, f"the alarm level ({_KEY})")
        return
    above, judged = (by_day(context, f) for f in (Fact.DUST_ALARM_S, Fact.DUST_JUDGED_S))
    first = context.day.day - timedelta(days=context.limits["days"])
    days = [day for day in judged if day > first and day in above]
    total_s = sum(judged[day] for day in days)
    if not total_s:
        why = "no dust signal is known while gas flowed"
        yield Answer.cannot_tell(subject, why, Lack.COVERAGE, "dust signal")
        return
    alarm_s = sum(above[day] for day in days)
    share = alarm_s / total_s
    values = (
        Quantity("share", share, "1"),
        Quantity("alarm", alarm_s, "s"),
        Quantity("judged", total_s, "s"),
    )
    text = (
        f"above {show_dust(context.day, Role.DUST_SIGNAL, level.value)} for "
        f"{number(alarm_s / 3600, 1)} h of {number(total_s / 3600, 0)} h with gas, "
        f"{percent(share, 1)}, on the last {len(days)} known days; {NO_RECORD}."
    )
    if share > context.limits["share"] and alarm_s >= context.limits["least"]:
        lead = f"Dust signal {text}"
        yield context.found(subject, Urgency.NEXT_OUTAGE, lead, _ACTION, values)
    else:
        yield Answer.clear(subject, f"Dust signal {text}", values)


_ACTION = work(
    outside="Check zero and span of the monitor; see which row's puff is large and since when.",
    isolated="tube sheet, seats and bags from the clean-air plenum; dye test.",
)

RULE = Rule(
    name="dust_alarm_time",
    title="Dust alarm on too long",
    chapter=Chapter.DUST,
    looks_for="Time with the dust signal above its alarm level, as a share of the time with gas in "
    "half a year.",
    needs=(
        Need(
            any_of=(Role.DUST_SIGNAL,),
            purpose="to compare with the alarm level",
            max_step_s=300.0,  # chosen: coarser points miss most alarms
        ),
    ),
    thresholds=(
        limit(
            "share",
            "5 %",
            "of the time with gas, above which it is found",
            source="40 CFR 63.1181(d)",
        ),
        limit(
            "days",
            "183",
            "days that are counted, today included",
            source="40 CFR 63.1181(d): a six-month period",
        ),
        limit(
            "least",
            "8 h",
            "with the alarm on, before it is found",
            chosen="of few known days 5 % is hardly an hour a day",
            dimension=Dimension.TIME,
        ),
    ),
    check_first=(
        "zero and span of the monitor, its alarm level",
        "which row's puff is large; dust between pulses",
        "isolated: tube sheet, seats and bags; dye test",
    ),
    confused_with="a monitor with soiled windows; an alarm level set too low",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=("40 CFR 63.1181",),
    judge=judge,
)
