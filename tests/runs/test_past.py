"""The days before a day: without those whose facts rest on other settings."""

from __future__ import annotations

import json
from datetime import timedelta
from unittest.mock import MagicMock

import pytest
from helpers.gas_days import DAY, house
from helpers.scenes import history_of

from rowcall.model import Fact
from rowcall.runs import past
from rowcall.site.meaning import meaning_of


@pytest.mark.parametrize(
    ("change", "n_days"),
    [({}, 3), ({"so3_per_so2": None}, 3), ({"gas_so3": 1.0}, 2)],
)
def test_a_key_that_a_newer_version_adds_parts_no_history(
    change: dict[str, object], n_days: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`None` stands for a key that the older version did not know."""
    stored = json.loads(meaning_of(house()))
    for key, value in change.items():
        stored = {k: v for k, v in stored.items() if k != key}
        stored |= {} if value is None else {key: value}
    yesterday = {DAY - timedelta(days=1): json.dumps(stored)}
    monkeypatch.setattr(past, "meanings_of", lambda *_: yesterday)
    history = history_of({Fact.N_STARTS: [1.0, 2.0, 3.0]}, DAY)
    monkeypatch.setattr(past, "read_history", lambda *_: history)
    known = past.read_past(MagicMock(), house(), DAY, 90)
    assert known.facts.height == n_days
    assert (known.other_settings is None) is (n_days == 3)
