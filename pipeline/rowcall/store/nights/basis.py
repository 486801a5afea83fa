"""What each judged day rests on: its own results, those of the days before, and the work log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from rowcall.store.connection import Store

# Of the facts, their meaning and the verdicts of a day, as later days read them.
_OWN = """
SELECT md5(concat(
    (SELECT string_agg(concat_ws('|', compartment, "row", name, value), ';'
                       ORDER BY compartment, "row", name)
     FROM facts WHERE day = $day AND baghouse = $house),
    (SELECT string_agg(settings, ';' ORDER BY settings)
     FROM meanings WHERE day = $day AND baghouse = $house),
    (SELECT string_agg(concat_ws('|', compartment, "row", is_place, rule, verdict, urgency), ';'
                       ORDER BY compartment, "row", is_place, rule, verdict, urgency)
     FROM findings WHERE day = $day AND baghouse = $house)))
"""
_PAST = """
(SELECT coalesce(md5(string_agg(concat(before.day, before.own), ';' ORDER BY before.day)), '')
 FROM basis AS before
 WHERE before.baghouse = kept.baghouse
   AND before.day < kept.day AND before.day >= kept.day - $days::INTEGER)
"""


def save_basis(store: Store, day: date, houses: Iterable[str], work: str, days: int) -> None:
    """Save what a day rests on, of the `days` days before it and the work log; after `save_day`.

    Args:
        work: fingerprint of the entries that could move the day.
    """
    store.connection.execute("DELETE FROM basis WHERE day = ?", [day])
    for house in houses:
        store.connection.execute(
            f"INSERT INTO basis SELECT $day, $house, ({_OWN}), '', ''",
            {"day": day, "house": house},
        )
    renew_basis(store, day, work, days)


def renew_basis(store: Store, day: date, work: str, days: int) -> None:
    """Save that a judged day was tried with the present past and work log."""
    store.connection.execute(
        f"UPDATE basis AS kept SET past = {_PAST}, work = $work WHERE day = $day",
        {"day": day, "work": work, "days": days},
    )


def days_of_another_past(
    store: Store, houses: Sequence[str], days: int, after: date | None = None
) -> list[date]:
    """Return the judged days that rest on results of days before which are others now, rising.

    Args:
        houses: baghouses of the present site file.
        days: how far back a day looks.
        after: only days that look back to this one.
    """
    near = "" if after is None else "AND kept.day > $after AND kept.day <= $after + $days::INTEGER"
    rows = store.connection.execute(
        "SELECT DISTINCT kept.day FROM basis AS kept "
        f"WHERE list_contains($houses, kept.baghouse) {near} AND kept.past <> {_PAST} "
        "ORDER BY kept.day",
        {"houses": list(houses), "days": days} | ({} if after is None else {"after": after}),
    ).fetchall()
    return [day for (day,) in rows]


def work_known(store: Store) -> dict[date, str]:
    """Return the fingerprint of the work log that each judged day rests on, where it is stored."""
    return dict(store.connection.execute("SELECT DISTINCT day, work FROM basis").fetchall())
