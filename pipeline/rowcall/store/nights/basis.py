"""What each judged day rests on: its own results, those of the days before, and the work log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from hashlib import md5
from itertools import groupby
from operator import itemgetter

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
    near = "AND day > $after - $days::INTEGER AND day <= $after + $days::INTEGER" if after else ""
    rows = store.connection.execute(
        "SELECT baghouse, day, concat(day, own), past FROM basis "
        f"WHERE list_contains($houses, baghouse) {near} ORDER BY baghouse, day",
        {"houses": list(houses)} | ({"days": days, "after": after} if after else {}),
    ).fetchall()
    other = {
        day
        for _, of_house in groupby(rows, key=itemgetter(0))
        for day in _of_another_past([row[1:] for row in of_house], timedelta(days=days))
    }
    return sorted(day for day in other if after is None or day > after)


def _of_another_past(lines: Sequence[tuple[date, str, str]], span: timedelta) -> Iterator[date]:
    """Return the days of a baghouse of which `_PAST` would give another one than they rest on.

    Asked of all days every night, DuckDB takes five times as long for it.

    Args:
        lines: day, it with its own results, past it rests on; by day, rising.
        span: how far back a day looks.
    """
    first, own = 0, [line[1] for line in lines]
    for number, (day, _, past) in enumerate(lines):
        while lines[first][0] < day - span:
            first += 1
        before = ";".join(own[first:number]).encode()
        if past != (md5(before, usedforsecurity=False).hexdigest() if before else ""):
            yield day


def work_known(store: Store) -> dict[date, str]:
    """Return the fingerprint of the work log that each judged day rests on, where it is stored."""
    return dict(store.connection.execute("SELECT DISTINCT day, work FROM basis").fetchall())
