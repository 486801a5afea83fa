"""What the store knows of the days before one, as far as it can be compared with it."""

from __future__ import annotations

from collections import Counter
from datetime import date

import polars as pl

from rowcall.model import History, OtherSettings
from rowcall.site import Baghouse
from rowcall.site.meaning import changes_of_meaning, meaning_of
from rowcall.store import Store
from rowcall.store.results import meanings_of, read_history


def read_past(store: Store, baghouse: Baghouse, day: date, days: int) -> History:
    """Return the history of up to `days` days before `day`, without days of another meaning.

    A day was judged with the site file of its night; where that read its tags otherwise than
    today's site file does, its facts are left out and the history says so.
    """
    history = read_history(store, baghouse.id, day, days)
    before = meanings_of(store, baghouse.id, day, days)
    other = {
        when: changes_of_meaning(settings, now)
        for when, settings in before.items()
        if settings != (now := meaning_of(baghouse.on(when)))
    }
    if not other:
        return history
    kept = ~pl.col("day").is_in(sorted(other))
    counts = Counter(change for changes in other.values() for change in changes)
    return History(
        history.facts.filter(kept),
        history.verdicts.filter(kept),
        OtherSettings(tuple(sorted(other)), tuple(change for change, _ in counts.most_common())),
    )
