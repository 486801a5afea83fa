"""A new work log, what may stand in it, and an entry as it was understood, in words."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from rowcall.work_log.bag_outcome import ALLOWED, Outcome, outcome_of
from rowcall.work_log.bag_outcome import MEANINGS as OUTCOMES
from rowcall.work_log.problem import Column
from rowcall.work_log.work import Work, WorkEntry

MEANINGS: Mapping[Work, str] = {
    Work.BAGS_CHANGED: "new bags at the place; without a position, in the whole row or more; "
    "result: what the old ones were",
    Work.DIAPHRAGMS_RENEWED: "new diaphragms in the pulse valves of the place",
    Work.SOLENOID_RENEWED: "new solenoid, coil or pilot valve of the place",
    Work.AIR_MENDED: "a leak, regulator, dryer or pipe of the compressed air was put right",
    Work.CONTROLLER_MENDED: "sequence, wiring or outputs of the pulse controller were put right",
    Work.INSTRUMENT_MENDED: "a transmitter or monitor was calibrated or renewed, its lines blown "
    "back; part: its tag",
    Work.SET_POINT_CHANGED: "a set point, interval or pulse time was changed; result: the new one",
    Work.PRE_COATED: "bags were pre-coated; part: the powder",
    Work.DYE_TEST: "leak test with dye powder; a position that glows, or all of the place",
    Work.INSPECTED: "the place was looked at; result: what was seen",
    Work.OUTAGE_PLANNED: "the day of the next stop; enter it ahead",
    Work.OUTAGE_BEGUN: "the baghouse was stopped",
    Work.OUTAGE_ENDED: "the baghouse runs again",
    Work.OFF: "a row or compartment is not cleaned from now on, and that is meant",
    Work.ON: "it is cleaned again",
    Work.NOTE: "a remark that changes no judgement",
}

COLUMNS: Mapping[Column, str] = {
    Column.TIME: "2026-03-12, or 2026-03-12 06:30 in plant time; always needed",
    Column.BAGHOUSE: "its id in the site file; empty: all",
    Column.COMPARTMENT: 'number, or several: 1-4 or "1, 2"; empty: all',
    Column.ROW: "as compartment",
    Column.POSITION: "of the bag in its row, from 1; as compartment",
    Column.WORK: "one of the kinds below; always needed",
    Column.RESULT: "what came of it; of bags, one of the first words below, then any text",
    Column.PART: "batch or part number",
    Column.NOTE: "anything else",
}


def template(delimiter: str) -> str:
    """Return an empty log: its header line."""
    return delimiter.join(Column) + "\n"


def guide() -> str:
    """Return what may stand in each column, and what each kind of work means."""
    return "\n".join(
        (
            "Columns (format them as text in a spreadsheet program, or it rewrites times):",
            *_listed(COLUMNS),
            "Kinds of work:",
            *_listed(MEANINGS),
            "First words of results of bags:",
            *_listed({word: f"{OUTCOMES[word]} ({works_of(word)})" for word in OUTCOMES}),
        )
    )


def works_of(word: Outcome) -> str:
    """Return the kinds of work whose result may begin with an outcome."""
    return ", ".join(work for work, words in ALLOWED.items() if word in words)


def _listed(
    meanings: Mapping[Column, str] | Mapping[Work, str] | Mapping[Outcome, str],
) -> list[str]:
    width = max(map(len, meanings))
    return [f"  {name:{width}}  {text}" for name, text in meanings.items()]


def described(entry: WorkEntry, zone: ZoneInfo) -> str:
    """Return an entry on one line, as it was understood."""
    numbered = {
        "compartment": entry.subject.compartment,
        "row": entry.subject.row,
        "position": entry.position,
    }
    at = entry.at.astimezone(zone)
    parts = [
        f"line {entry.line}: {at:%Y-%m-%d %H:%M %Z}" if entry.is_timed else "",
        f"line {entry.line}: {entry.day}" if not entry.is_timed else "",
        entry.subject.baghouse or "all baghouses",
        *(f"{name} {number}" for name, number in numbered.items() if number),
        entry.work,
    ]
    outcome = outcome_of(entry) or ""
    understood = outcome if outcome != entry.result.casefold() else ""
    texts = {"result": entry.result, "taken as": understood, "part": entry.part, "note": entry.note}
    parts += [f"{name} {' '.join(text.split())}" for name, text in texts.items() if text]
    return ", ".join(filter(None, parts))
