"""The chapters about one baghouse: found, header recovery, DP, temperature."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import polars as pl

from rowcall.day_report import DayReport
from rowcall.model import BaghouseDay, Finding, Subject
from rowcall_reports import actions, fact_lookup, wording
from rowcall_reports.actions import Job
from rowcall_reports.chapters.roll_call import mark_of as row_mark

RECOVERY_TIMES_TAU = 3  # 1 - exp(-3) = 95 % of the drop is made good after three tau


def write_found(report: DayReport, day: BaghouseDay, drawn: Collection[tuple[int, int]]) -> str:
    """Return each job on the baghouse with its period, first checks and look-alikes.

    drawn: (compartment, row) whose stacked pulses a picture shows below.
    """
    found = actions.jobs(report, day.baghouse.id)
    return "\n\n".join(_job(report, job, drawn) for job in found)


def _job(report: DayReport, job: Job, drawn: Collection[tuple[int, int]]) -> str:
    rule = actions.rules_by_name(report).get(job.first.rule)
    title = wording.escape(actions.title_of(report.rules, job.first.rule))
    lines = [f"**{title}: {job.place}** ({job.urgency})", ""]
    lines += [f"- {_row(found)}{wording.escape(found.answer.text)}" for found in job.findings]
    answer = job.first.answer
    seen = wording.period(answer.start, answer.end, report.site.plant.zone)
    if seen:
        lines.append(f"- Seen: {seen}")
    if row_mark(job.first) is not None:
        lines += _see_picture([found.answer.subject for found in job.findings], drawn)
    if rule is not None and rule.check_first:
        checks = "; ".join(wording.escape(check) for check in rule.check_first)
        lines.append(f"- Check first: {checks}")
    if rule is not None and rule.confused_with:
        lines.append(f"- Looks alike, but is not: {wording.escape(rule.confused_with)}")
    return "\n".join(lines)


def _see_picture(subjects: Sequence[Subject], drawn: Collection[tuple[int, int]]) -> Sequence[str]:
    shown = [one for one in subjects if (one.compartment, one.row) in drawn]
    if not shown:
        return ()
    which = "" if len(shown) == len(subjects) else f" of {actions.places_of(shown)}"
    return (f"- Its pulses against the peers'{which}: the picture of stacked pulses below",)


def _row(found: Finding) -> str:
    subject = found.answer.subject
    return f"{actions.word_of(subject).capitalize()} {subject.row}: " if subject.row else ""


def write_recovery(day: BaghouseDay) -> str:
    """Return the header-recovery table, '' when no compartment's header was heard."""
    now, before = fact_lookup.today(day), fact_lookup.usual(day)
    head = [
        "Compartment",
        "Tau (median)",
        f"95 % made good ({RECOVERY_TIMES_TAU} tau)",
        "Tau, 7-day median",
        "Slowest row",
        "Pressure before a pulse",
        "Pulses",
    ]
    lines = []
    for compartment in range(1, day.baghouse.compartments + 1):
        tau = now.get(("tau_s", compartment, 0))
        rest = now.get(("before_pa", compartment, 0))
        if tau is None and rest is None:
            continue
        lines.append(
            [
                str(compartment),
                wording.measure(tau, "s", 2),
                wording.measure(None if tau is None else RECOVERY_TIMES_TAU * tau, "s", 1),
                wording.measure(before.get(("tau_s", compartment, 0)), "s", 2),
                _slowest(now, compartment, day.row_word(compartment)),
                wording.bar_gauge(rest),
                wording.number(now.get(("n_pulses", compartment, 0))),
            ]
        )
    return wording.table(head, lines, right=(0, 1, 2, 3, 5, 6)) if lines else ""


def _slowest(now: fact_lookup.Facts, compartment: int, word: str) -> str:
    taus = [
        (value, row)
        for (name, place, row), value in now.items()
        if name == "tau_s" and place == compartment and row
    ]
    if not taus:
        return wording.NO_VALUE
    tau, row = max(taus)
    return f"{word} {row}: {wording.measure(tau, 's', 2)}"


# Name, words, unit, decimals, and the divisor from the inside unit.
_DP_LINES: Sequence[tuple[str, str, str, int, float]] = (
    ("residual_dp_pa", "Residual DP (just after cleaning)", "kPa", 2, 1e3),
    ("peak_dp_pa", "Peak DP (just before cleaning)", "kPa", 2, 1e3),
    ("residual_drag", "Residual drag (residual DP / face velocity)", "Pa·s/m", 0, 1.0),
    ("cycle_time_s", "Cycle time (clean to clean)", "min", 1, 60.0),
    ("n_cycles", "Cleaning cycles", "", 0, 1.0),
    ("n_pulses", "Pulses", "", 0, 1.0),
    ("flow_m3_s", "Gas flow", "m³/s", 1, 1.0),
    ("running_min", "Time running", "h", 1, 60.0),
)


def write_dp(day: BaghouseDay) -> str:
    """Return the DP numbers of the day against the week before, '' without any."""
    now, before = fact_lookup.today(day), fact_lookup.usual(day)
    lines = []
    for name, words, unit, digits, scale in _DP_LINES:
        key = (name, 0, 0)
        if key not in now:
            continue
        shown = [
            wording.measure(side.get(key), unit, digits, scale).strip() for side in (now, before)
        ]
        lines.append([words, *shown, wording.change(now[key], before.get(key))])
    if not lines:
        return ""
    return wording.table(["", "Today", "7-day median", "Change"], lines, right=(1, 2, 3))


def write_temperature(day: BaghouseDay) -> str:
    """Return inlet temperature against the limits, '' when there is none."""
    highest = fact_lookup.today(day).get(("inlet_temperature_max_c", 0, 0))
    column = "inlet_temperature_c"
    minutes = day.minutes[column].drop_nulls() if column in day.minutes.columns else pl.Series()
    if highest is None and not minutes.is_empty():
        highest = float(minutes.max())  # type: ignore[arg-type]
    if highest is None:
        return ""
    limits = day.baghouse.temperature_limits()
    if limits is None:
        return (
            f"Highest inlet temperature: {wording.celsius(highest)}. The site file states neither "
            "the fibre of the bags nor their limits, so there is nothing to compare it with."
        )
    lines = [["Highest mean of a minute", wording.celsius(highest), ""]]
    for words, limit in zip(("continuous", "surge"), limits, strict=True):
        above = int((minutes > limit).sum()) if not minutes.is_empty() else None
        spent = wording.measure(above, "min", 0)
        lines.append([f"Time above the {words} limit", spent, f"limit {wording.celsius(limit)}"])
    source = wording.escape(day.baghouse.limit_source)
    note = (
        f"Time above counts minutes by their mean. Limits from: {source}. The bag maker's data "
        "sheet decides."
    )
    return wording.table(["Inlet temperature", "Today", "Limit"], lines, right=(1,)) + "\n\n" + note
