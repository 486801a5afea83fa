"""How the day was judged: limits in force, settings, files taken in, version; how to read it."""

from __future__ import annotations

import math
from collections import Counter

import rowcall
from rowcall.day_report import DayReport
from rowcall.file_note import FileNote
from rowcall.model import Limits, Threshold, Verdict
from rowcall.site import Baghouse
from rowcall.units import Dimension, Scale, Units, find_unit, parse_quantity, symbol
from rowcall_reports import wording
from rowcall_reports.prepared import PreparedReport

HOW_TO_READ = """\
The page of the day says what is new and what to do by when: now; any day, from outside (nothing \
is opened); at the next outage; watch. Each job links to its place on the page of its baghouse, \
which holds all that was measured, with errors, the history of each case and what could not be \
judged.

Every check has one of three answers a day for each place: found, clear, or cannot tell. A place \
that could not be judged is not clear. A case is closed when it has been clear for some days, or \
when the data agree with a repair in the work log."""


def write_method(prepared: PreparedReport) -> str:
    """Return the closing chapter: everything needed to judge the day again."""
    report = prepared.report
    parts = [
        "Findings are advice from exported data. They do not replace the controls, "
        "interlocks and inspections of the plant.",
        _checks_table(prepared) if report.findings else "",
        _limits(report),
        *(_set_up(day.baghouse, report.site.units.scales) for day in report.baghouses),
        _files(report),
        f"Days run from midnight to midnight in {wording.escape(report.site.plant.time_zone)}. "
        f"Judged by rowcall {rowcall.__version__}, revision {report.revision} of this day.",
    ]
    return "\n\n".join(part for part in parts if part)


def _limits(report: DayReport) -> str:
    """Return the limits that differ from their defaults; all of them are a command away."""
    lines = [
        [
            wording.escape(rule.title),
            wording.escape(limit.meaning),
            shown,
            wording.escape(limit.source),
        ]
        for rule in report.rules
        for limit in rule.thresholds
        if (shown := _in_force(limit, report.limits.get(rule.name, {}), report.site.units.scales))
    ]
    all_of_them = "`rowcall rules` prints every limit with its source."
    if not lines:
        return f"All limits were the defaults; {all_of_them}"
    table = wording.table(["Check", "Limit", "In force", "Source"], lines)
    return f"Limits that differ from their defaults ({all_of_them}):\n\n{table}"


def _in_force(limit: Threshold, limits: Limits, units: Units) -> str:
    """Return a changed limit and its default; '' of others.

    Pressures are of headers, in the site's unit; all else is in the unit that its author wrote.
    """
    default = parse_quantity(limit.text, limit.dimension)
    value = limits.get(limit.key, default)
    if math.isclose(value, default, rel_tol=1e-9, abs_tol=1e-12):
        return ""
    _, _, code = limit.text.partition(" ")
    unit, scale = find_unit(code or "1"), units.pressure
    if limit.dimension is not Dimension.PRESSURE:
        scale = Scale(unit.factor, symbol(code), offset=unit.offset)
    shown, written = (
        wording.escape(f"{wording.significant(scale.of(one), 6)} {scale.words}".strip())
        for one in (value, default)
    )
    return f"**{shown}** (default {written})"


def _set_up(house: Baghouse, units: Units) -> str:
    cleaning = house.cleaning
    rows = wording.spans(set(house.rows))
    parts = [f"{wording.count(house.compartments, 'compartment')} of {rows} rows"]
    if cleaning.mode == "on_demand":
        low, high = map(units.dp.show, (cleaning.stop_dp, cleaning.start_dp))
        parts.append(f"cleaning on demand from {high} down to {low}")
    else:
        parts.append(f"cleaning on time, a row every {wording.measure(cleaning.interval, 's', 0)}")
    if house.media is not None:
        parts.append(f"bags of {house.media.value}")
    limits = house.temperature_limits()
    if limits is not None:
        low, high = map(units.temperature.show, limits)
        parts.append(f"limits {low} continuous and {high} surge")
    if house.residual_dp_limit is not None:
        parts.append(f"residual DP limit {units.dp.show(house.residual_dp_limit)}")
    return f"{wording.escape(house.id)} as the site file has it: {', '.join(parts)}."


def _files(report: DayReport) -> str:
    if not report.files:
        return "No export file brought samples for this day."
    head = [
        "File taken in",
        "Rows",
        "Stored",
        "Replaced",
        "Unchanged",
        "Set aside",
        "First",
        "Last",
    ]
    lines = [_file_line(report, note) for note in report.files]
    hashes = [f"- SHA-256 of {wording.escape(note.name)}: `{note.sha256}`" for note in report.files]
    return "\n".join([wording.table(head, lines, right=(1, 2, 3, 4, 5)), "", *hashes])


def _file_line(report: DayReport, note: FileNote) -> list[str]:
    zone = report.site.plant.zone
    aside = f"{note.set_aside:,}"
    return [
        wording.escape(note.name),
        f"{note.rows_read:,}",
        f"{note.stored:,}",
        f"{note.replaced:,}",
        f"{note.unchanged:,}",
        f"**{aside}**" if note.set_aside else aside,
        wording.clock(note.first, zone),
        wording.clock(note.last, zone),
    ]


def _checks_table(prepared: PreparedReport) -> str:
    """One line a rule, one column a baghouse: how many checks came out how."""
    counts = Counter(
        (found.rule, found.answer.subject.baghouse, found.answer.verdict)
        for found in prepared.report.findings
    )
    head = ["Check", *(baghouse.name for baghouse in prepared.baghouses)]
    lines = [
        [
            wording.escape(rule.title),
            *(_tally(counts, rule.name, day.baghouse.id) for day in prepared.report.baghouses),
        ]
        for rule in prepared.report.rules
    ]
    return wording.table(head, lines)


def _tally(counts: Counter[tuple[str, str, Verdict]], rule: str, baghouse: str) -> str:
    found, clear, unjudged = (counts[rule, baghouse, verdict] for verdict in Verdict)
    parts = [f"**{found} found**"] if found else []
    parts += [f"{clear} clear"] if clear else []
    parts += [f"{unjudged} cannot tell"] if unjudged else []
    return ", ".join(parts) or wording.NO_VALUE
