"""Stored answers of the rules on many days, as nouns again."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

from rowcall.model import Answer, Finding, Quantity, Subject, Urgency, Verdict
from rowcall.store.connection import Store


def answers_before(store: Store, day: date) -> list[Finding]:
    """Return all answers of the days before `day` at the places where anything was ever found.

    Of what was not found, the texts stay in the store.
    """
    rows = store.connection.execute(
        'SELECT day, rule, baghouse, compartment, "row", is_place, verdict, urgency, '
        "start, \"end\", values_json, CASE WHEN verdict = $found THEN text ELSE '' END, "
        "CASE WHEN verdict = $found THEN action ELSE '' END "
        'FROM findings SEMI JOIN (SELECT DISTINCT baghouse, compartment, "row", is_place '
        "FROM findings WHERE verdict = $found AND day < $day) "
        'USING (baghouse, compartment, "row", is_place) '
        'WHERE day < $day ORDER BY day, baghouse, compartment, "row", rule',
        {"found": Verdict.FOUND.value, "day": day},
    ).fetchall()
    return [_finding(*row) for row in rows]


def _finding(
    day: date,
    rule: str,
    baghouse: str,
    compartment: int,
    row: int,
    is_place: bool,
    verdict: str,
    urgency: str | None,
    start: datetime | None,
    end: datetime | None,
    values_json: str,
    text: str,
    action: str,
) -> Finding:
    answer = Answer(
        subject=Subject(baghouse, compartment, row, is_place),
        verdict=Verdict(verdict),
        text=text,
        action=action,
        urgency=Urgency(urgency) if urgency else None,
        start=start.replace(tzinfo=UTC) if start else None,
        end=end.replace(tzinfo=UTC) if end else None,
        values=tuple(Quantity(*one) for one in json.loads(values_json)),
    )
    return Finding(day, rule, answer)
