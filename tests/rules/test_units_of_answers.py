"""Answers of all rules on one day: words in the units of the site file, numbers always the same."""

from __future__ import annotations

import re
from dataclasses import replace
from unittest.mock import MagicMock

import numpy as np
import polars as pl
import pytest
from helpers.scenes import exports, history_of, kiln, study
from helpers.unit_systems import OTHER, SYSTEMS, WORDS

import rowcall.runs.parallel.ahead
import rowcall.runs.study
from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.guard import Guard
from rowcall.model import FACT_COLUMNS, BaghouseDay, Fact, Finding, History, Signal
from rowcall.runs.parallel.ahead import Ahead
from rowcall.site import Role, Site
from rowcall.store import Store

PAST = {
    (0, 0): {
        Fact.RESIDUAL_DP_PER_FLOW: [40.0 + n / 2 for n in range(40)],
        Fact.FLOW_M3_S: [16.0] * 40,
    },
    (1, 0): {Fact.PLATEAU_PA: [7e5] * 10},
}
TODAY = [
    (1, 0, Fact.SHORTFALL_PA, 1.5e5),  # of its plateau, and a refill that takes long
    (1, 0, Fact.RECOVERY_S, 25.0),
    (1, 0, Fact.INTERVAL_S, 10.0),
    (1, 0, Fact.CYCLE_LOSS_PA, 1.1e5),
    (1, 0, Fact.CYCLE_LOSS_SHARE, 0.18),
    (2, 0, Fact.DECAY_TAU_S, 900.0),
    (2, 0, Fact.DECAY_PA_S, 45.0),
    (2, 0, Fact.DECAY_M3_S, 0.0014),
    (2, 0, Fact.DECAY_SUPPLY_HELD, 1.0),
    (2, 0, Fact.DECAY_START_S, 0.0),
    (2, 0, Fact.DECAY_END_S, 600.0),
]


def busy_day() -> BaghouseDay:
    """Return a day with something to say for the rules on DP, air and heat."""
    day = study(exports(kiln(), hours=6)[0]).day
    lines = [(c, row, fact.column, value) for c, row, fact, value in TODAY]
    changed = pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row")
    kept = day.facts.join(changed, on=["compartment", "row", "name"], how="anti")
    past = [history_of(values, day.day, place).facts for place, values in PAST.items()]
    heat = Signal(np.arange(0.0, 86_400.0, 60.0), np.full(1440, 205.0))
    house = day.baghouse.model_copy(update={"residual_dp_limit": 1000.0})
    return replace(
        day,
        baghouse=house,
        facts=pl.concat([kept, changed]),
        history=History(pl.concat(past)),
        signals={**day.signals, (Role.INLET_TEMPERATURE, 0, 0): heat},
    )


SHOWN = {
    "metric": {"kPa", "Pa", "m³", "bar", "°C", "degree-minutes"},
    "us": {"in. w.c.", "acfm", "psig", "psi", "°F", "ft³"},
}


@pytest.fixture(scope="module")
def answers() -> dict[str, list[Finding]]:
    rules, day = load_rules(), busy_day()
    return {
        system: diagnose(rules, limits_in_force(rules, {}), [replace(day, units=table.scales)])
        for system, table in SYSTEMS.items()
    }


@pytest.mark.parametrize("system", SYSTEMS)
def test_words_hold_no_unit_of_another_system(
    system: str, answers: dict[str, list[Finding]]
) -> None:
    words = "\n".join(f"{one.answer.text} {one.answer.action}" for one in answers[system])
    assert re.findall(WORDS[OTHER[system]], words) == []
    own = {match[0] for match in re.finditer(WORDS[system], words)}
    assert own >= SHOWN[system]


def test_all_but_words_is_the_same_in_any_units(answers: dict[str, list[Finding]]) -> None:
    bare = [
        [replace(one, answer=replace(one.answer, text="", action="")) for one in findings]
        for findings in answers.values()
    ]
    assert list(map(repr, bare[0])) == list(map(repr, bare[1]))


def test_a_day_is_studied_in_the_units_of_its_site(monkeypatch: pytest.MonkeyPatch) -> None:
    day = study(exports(kiln(), hours=6)[0]).day
    site = Site.model_validate(
        {
            "plant": {"name": "Ondravel Lime", "time_zone": "Europe/Vienna"},
            "baghouse": [day.baghouse],
            "units": SYSTEMS["us"],
        }
    )
    monkeypatch.setattr(rowcall.runs.parallel.ahead, "reader", MagicMock())
    monkeypatch.setattr(rowcall.runs.study, "study_span", lambda *_: (day, None))
    ahead = Ahead.of(MagicMock(spec=Store), site, 1)
    studied = ahead.study(Guard(day.day), day.baghouse, History())
    assert studied.units == SYSTEMS["us"].scales
