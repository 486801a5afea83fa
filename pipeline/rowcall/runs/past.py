"""What the store knows of the days before one, as far as it can be compared with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

from rowcall.model import Case, History, OtherSettings, Rule, WorkLog
from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.judge import cases_of, followed_rules
from rowcall.site import Baghouse, Site
from rowcall.site.meaning import changes_of_meaning, meaning_of
from rowcall.store import Store
from rowcall.store.nights.past_answers import PastAnswers
from rowcall.store.results import meanings_of, read_history


def read_past(store: Store, baghouse: Baghouse, day: date, days: int) -> History:
    """Return the history of up to `days` days before `day`, without days of another meaning.

    A day was judged with the site file of its night; where that read its tags otherwise than
    today's site file does, its facts are left out and the history says so.
    """
    history = read_history(store, baghouse.id, day, days)
    before = meanings_of(store, baghouse.id, day, days)
    other = {
        when: changes
        for when, settings in before.items()
        if settings != (now := meaning_of(baghouse.on(when)))
        and (changes := changes_of_meaning(settings, now))  # none by a key of a newer version
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


def all_cases_stored(
    store: Store, site: Site, day: date, work: WorkLog, rules: Sequence[Rule]
) -> tuple[tuple[Case, ...], tuple[Case, ...]]:
    """Return `cases_of` a judged day by what the store holds; `work` is up to its end."""
    after = day + timedelta(days=1)
    facts = {one.id: read_past(store, one, after, HISTORY_DAYS).facts for one in site.baghouse}
    return cases_of(site, day, rules, PastAnswers(store, after, followed_rules()), (), facts, work)
