"""What could not be judged, and how header pressure was sampled meanwhile."""

from __future__ import annotations

from datetime import date

from rowcall.model import Answer, Finding, Lack, Subject, Verdict
from rowcall.site import Role
from rowcall.store.connection import Store


def unjudged_answers(store: Store, first: date, last: date) -> list[Finding]:
    """Return the answers `cannot tell` of the days from `first` to `last`, with their reasons."""
    rows = store.connection.execute(
        'SELECT day, rule, baghouse, compartment, "row", is_place, text, lack, lack_of '
        "FROM findings WHERE verdict = ? AND day BETWEEN ? AND ? ORDER BY ALL",
        [Verdict.CANNOT_TELL.value, first, last],
    ).fetchall()
    return [
        Finding(
            day,
            rule,
            Answer(
                subject=Subject(*place),
                verdict=Verdict.CANNOT_TELL,
                text=text,
                lack=Lack(lack) if lack else None,
                lack_of=of or "",
            ),
        )
        for day, rule, *place, text, lack, of in rows
    ]


def header_steps(store: Store, day: date) -> dict[tuple[str, int], float]:
    """Return the time between points of header pressure by baghouse and compartment [s]."""
    rows = store.connection.execute(
        "SELECT baghouse, compartment, min(step_s) FROM tag_days "
        "WHERE day = ? AND role = ? AND step_s IS NOT NULL GROUP BY ALL",
        [day, Role.HEADER_PRESSURE.value],
    ).fetchall()
    return {(str(house), int(compartment)): float(step_s) for house, compartment, step_s in rows}
