"""How the day was judged: limits in force, settings, files taken in, version."""

from __future__ import annotations

import math

import rowcall
from rowcall.day_report import DayReport
from rowcall.file_note import FileNote
from rowcall.model import BaghouseDay, Limits, Threshold
from rowcall.units import find_unit, parse_quantity, symbol
from rowcall_reports import wording

_HASH_SHOWN = 12  # chosen: enough of a SHA-256 to keep one night's files apart


def write_method(report: DayReport) -> str:
    """Return the closing chapter: everything needed to judge the day again."""
    parts = [
        "Findings are advice from exported data. They do not replace the controls, "
        "interlocks and inspections of the plant.",
        _limits(report),
        *(_set_up(day) for day in report.baghouses),
        _files(report),
        f"Days run from midnight to midnight in {wording.escape(report.site.plant.time_zone)}. "
        f"Judged by rowcall {rowcall.__version__}, revision {report.revision} of this day.",
    ]
    return "\n\n".join(part for part in parts if part)


def _limits(report: DayReport) -> str:
    lines = [
        [
            wording.escape(rule.title),
            wording.escape(limit.meaning),
            _in_force(limit, report.limits.get(rule.name, {})),
            wording.escape(limit.source),
        ]
        for rule in report.rules
        for limit in rule.thresholds
    ]
    return wording.table(["Check", "Limit", "In force", "Source"], lines) if lines else ""


def _in_force(limit: Threshold, limits: Limits) -> str:
    """Return the limit in the unit its author wrote, and the default where it was changed."""
    default = parse_quantity(limit.text, limit.dimension)
    value = limits.get(limit.key, default)
    written = _readable(limit.text)
    if math.isclose(value, default, rel_tol=1e-9, abs_tol=1e-12):
        return wording.escape(written)
    code = limit.text.split()[-1] if len(limit.text.split()) > 1 else "1"
    amount = wording.significant(find_unit(code).from_inside(value), 6)
    shown = f"{amount} {symbol(code)}".strip()
    return f"**{wording.escape(shown)}** (default {wording.escape(written)})"


def _readable(quantity: str) -> str:
    """Return a quantity with the print symbol of its unit."""
    amount, _, code = quantity.partition(" ")
    return f"{amount} {symbol(code.strip())}".strip()


def _set_up(day: BaghouseDay) -> str:
    house, cleaning = day.baghouse, day.baghouse.cleaning
    rows = wording.spans(set(house.rows))
    parts = [f"{wording.count(house.compartments, 'compartment')} of {rows} rows"]
    if cleaning.mode == "on_demand":
        low, high = wording.kilopascal(cleaning.stop_dp), wording.kilopascal(cleaning.start_dp)
        parts.append(f"cleaning on demand from {high} down to {low}")
    else:
        parts.append(f"cleaning on time, a row every {wording.measure(cleaning.interval, 's', 0)}")
    if house.media is not None:
        parts.append(f"bags of {house.media.value}")
    limits = house.temperature_limits()
    if limits is not None:
        low, high = (wording.celsius(limit) for limit in limits)
        parts.append(f"limits {low} continuous and {high} surge")
    if house.residual_dp_limit is not None:
        parts.append(f"residual DP limit {wording.kilopascal(house.residual_dp_limit)}")
    return f"{wording.escape(house.id)} as the site file has it: {', '.join(parts)}."


def _files(report: DayReport) -> str:
    if not report.files:
        return "No export file brought samples for this day."
    head = [
        "File taken in",
        "SHA-256",
        "Rows",
        "Stored",
        "Replaced",
        "Unchanged",
        "Set aside",
        "First",
        "Last",
    ]
    lines = [_file_line(report, note) for note in report.files]
    return wording.table(head, lines, right=(2, 3, 4, 5, 6))


def _file_line(report: DayReport, note: FileNote) -> list[str]:
    zone = report.site.plant.zone
    aside = f"{note.set_aside:,}"
    return [
        wording.escape(note.name),
        wording.escape(note.sha256[:_HASH_SHOWN]),
        f"{note.rows_read:,}",
        f"{note.stored:,}",
        f"{note.replaced:,}",
        f"{note.unchanged:,}",
        f"**{aside}**" if note.set_aside else aside,
        wording.clock(note.first, zone),
        wording.clock(note.last, zone),
    ]
