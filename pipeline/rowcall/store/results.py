"""Results in the store: what was found on the days judged, and which parts of them failed."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, date, timedelta

import polars as pl

import rowcall
from rowcall.guard import Failure
from rowcall.model import (
    Answer,
    BaghouseDay,
    Finding,
    History,
    Subject,
    Urgency,
    Verdict,
)
from rowcall.site.meaning import meaning_of
from rowcall.store.connection import Store
from rowcall.store.nights.judgements import LOST, Judged
from rowcall.store.samples import naive_utc

_DAY_TABLES = ("facts", "pulses", "cycles", "findings", "tag_days", "meanings")


def read_history(store: Store, baghouse: str, day: date, days: int) -> History:
    """Return the facts and verdicts (those on places apart) of up to `days` days before `day`."""
    span = [baghouse, day, day - timedelta(days=days)]
    facts: pl.DataFrame = store.connection.sql(
        'SELECT day, compartment::BIGINT AS compartment, "row"::BIGINT AS "row", name, value '
        "FROM facts WHERE baghouse = ? AND day < ? AND day >= ? "
        'ORDER BY day, compartment, "row", name',
        params=span,
    ).pl()
    verdicts: pl.DataFrame = store.connection.sql(
        'SELECT day, rule, compartment::BIGINT AS compartment, "row"::BIGINT AS "row", verdict, '
        "urgency FROM findings WHERE baghouse = ? AND day < ? AND day >= ? AND NOT is_place "
        'ORDER BY day, compartment, "row", rule',
        params=span,
    ).pl()
    return History(facts, verdicts)


def meanings_of(store: Store, baghouse: str, day: date, days: int) -> dict[date, str]:
    """Return what the facts of up to `days` days before `day` rest on, where that is stored."""
    rows = store.connection.execute(
        "SELECT day, settings FROM meanings WHERE baghouse = ? AND day < ? AND day >= ?",
        [baghouse, day, day - timedelta(days=days)],
    ).fetchall()
    return {when: str(settings) for when, settings in rows}


def verdicts_of(store: Store, day: date) -> dict[tuple[str, Subject], Verdict]:
    """Return the verdict on every rule and subject as the day was last judged."""
    return {key: verdict for key, (verdict, _) in urgencies_of(store, day).items()}


def urgencies_of(
    store: Store, day: date
) -> dict[tuple[str, Subject], tuple[Verdict, Urgency | None]]:
    """Return verdict and urgency on every rule and subject as the day was last judged."""
    rows = store.connection.execute(
        'SELECT rule, baghouse, compartment, "row", is_place, verdict, urgency FROM findings '
        "WHERE day = ?",
        [day],
    ).fetchall()
    return {
        (str(rule), Subject(*subject)): (Verdict(verdict), Urgency(urgency) if urgency else None)
        for rule, *subject, verdict, urgency in rows
    }


def holds(store: Store, day: date, findings: Iterable[Finding]) -> bool:
    """Return whether the findings stored of a day are these."""
    lines = [tuple(_line(finding).values()) for finding in findings]
    kept = store.connection.execute(
        'SELECT day, baghouse, compartment, "row", is_place, rule, verdict, urgency, start, "end", '
        "values_json, text, action FROM findings WHERE day = ?",
        [day],
    )
    return sorted(map(repr, kept.fetchall())) == sorted(map(repr, lines))


def save_failures(store: Store, day: date, failures: Iterable[Failure], judged: Judged) -> None:
    """Replace what is stored of the parts of a day that failed; within a transaction."""
    store.connection.execute("DELETE FROM failures WHERE day = ?", [day])
    for one in failures:
        settings = LOST if one.is_lost else judged.settings_hash
        tried = [rowcall.__version__, settings, judged.file_id]
        store.connection.execute(
            "INSERT INTO failures VALUES (?, ?, ?, ?, ?, ?, ?)",
            [day, one.baghouse, one.part, one.reference, *tried],
        )


def save_day(
    store: Store,
    day: date,
    baghouses: Iterable[BaghouseDay],
    findings: Iterable[Finding],
    judged: Judged,
) -> None:
    """Replace everything the store holds of a judged day; the caller wraps it in a transaction."""
    for table in _DAY_TABLES:
        store.connection.execute(f"DELETE FROM {table} WHERE day = ?", [day])
    for house in (house for house in baghouses if not house.failed):
        _insert(store, "facts", _labelled(house, house.facts))
        store.connection.execute(
            "INSERT INTO meanings VALUES (?, ?, ?)",
            [day, house.baghouse.id, meaning_of(house.baghouse)],
        )
        _insert(store, "pulses", _labelled(house, _pulses(house)))
        _insert(store, "cycles", _labelled(house, _cycles(house)))
        if house.health:
            _insert(store, "tag_days", _labelled(house, _health(house)))
    rows = [_line(finding) | _lack(finding.answer) for finding in findings]
    lines = pl.DataFrame(rows, infer_schema_length=None)
    if lines.height:
        _insert(store, "findings", lines)
    store.connection.execute(
        "DELETE FROM judged WHERE day = ? AND revision = ?", [day, judged.revision]
    )
    store.connection.execute(
        "INSERT INTO judged VALUES (?, ?, ?, ?, ?, ?)",
        [
            day,
            judged.file_id,
            judged.settings_hash,
            naive_utc(judged.at),
            judged.revision,
            judged.verdicts_changed,
        ],
    )


def said_by_day(store: Store) -> list[tuple[date, str, Verdict, Urgency | None]]:
    """Return day, baghouse, verdict and urgency of all answers, each combination once."""
    rows = store.connection.execute(
        "SELECT DISTINCT day, baghouse, verdict, urgency FROM findings"
    ).fetchall()
    return [
        (day, str(house), Verdict(verdict), Urgency(urgency) if urgency else None)
        for day, house, verdict, urgency in rows
    ]


def _insert(store: Store, table: str, frame: pl.DataFrame) -> None:
    with store.view("incoming", frame):
        store.connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")


def _labelled(house: BaghouseDay, frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(day=pl.lit(house.day), baghouse=pl.lit(house.baghouse.id))


def _instant(house: BaghouseDay, seconds: str) -> pl.Expr:
    start = pl.lit(house.start.astimezone(UTC).replace(tzinfo=None)).cast(pl.Datetime("us"))
    return start + pl.duration(microseconds=(pl.col(seconds) * 1e6).round())


def _pulses(house: BaghouseDay) -> pl.DataFrame:
    table = house.pulses.with_columns(time=_instant(house, "time_s"))
    return table.drop("time_s", "in_doubt", strict=False)  # the latter is counted in facts


def _cycles(house: BaghouseDay) -> pl.DataFrame:
    timed = house.cycles.with_columns(
        start=_instant(house, "start_s"), end=_instant(house, "end_s")
    )
    return timed.drop("start_s", "clean_end_s", "end_s", strict=False)


def _health(house: BaghouseDay) -> pl.DataFrame:
    """Return how well each tag served; `step_s` is its effective resolution on the day."""
    lines = [asdict(tag) | {"role": tag.role.value} for tag in house.health]
    return pl.DataFrame(lines).drop("note").with_columns(pl.col("step_s").fill_nan(None))


def _line(finding: Finding) -> dict[str, object]:
    answer = finding.answer
    return {
        "day": finding.day,
        "baghouse": answer.subject.baghouse,
        "compartment": answer.subject.compartment,
        "row": answer.subject.row,
        "is_place": answer.subject.is_place,
        "rule": finding.rule,
        "verdict": answer.verdict.value,
        "urgency": answer.urgency.value if answer.urgency else None,
        "start": naive_utc(answer.start) if answer.start else None,
        "end": naive_utc(answer.end) if answer.end else None,
        "values_json": json.dumps([[q.name, q.value, q.unit] for q in answer.values]),
        "text": answer.text,
        "action": answer.action,
    }


def _lack(answer: Answer) -> dict[str, object]:
    """Return what an answer lacked; days of before have none stored, and count as the same."""
    return {"lack": answer.lack.value if answer.lack else None, "lack_of": answer.lack_of}
