"""The registry of facts: each is produced, has a unit, and is read where it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from ucumvert import PintUcumRegistry

from rowcall.model import Fact, Level

ROOT = Path(__file__).parents[1]
PRODUCERS = {"daily", "dust_lines", "header_lines", "operation", "pooled_days", "sensor_facts"}
READERS = ("pipeline", "rules", "reports")
TRIALS = "score"  # holds errors that are claims against the truth


def mentions() -> dict[str, set[str]]:
    """Return by module the facts that its code names."""
    found: dict[str, set[str]] = {}
    for folder in READERS:
        for path in (ROOT / folder).rglob("*.py"):
            if path.parent.name != "model" and not path.stem.startswith("test_"):
                names = re.findall(r"\bFact\.([A-Z][A-Z0-9_]+)", path.read_text(encoding="utf-8"))
                found.setdefault(path.stem, set()).update(names)
    return found


MENTIONS = mentions()


@pytest.mark.parametrize("fact", list(Fact), ids=lambda fact: fact.column)
def test_a_fact_is_read_where_it_says(fact: Fact) -> None:
    readers = {stem for stem, names in MENTIONS.items() if fact.name in names}
    stated = set(fact.value.read_by)
    assert stated
    assert stated - {TRIALS} - readers == set(), "read no more"
    assert readers - PRODUCERS - stated == set(), "read too"
    if TRIALS in stated:
        text = (ROOT / "tests" / "trials" / f"{TRIALS}.py").read_text(encoding="utf-8")
        assert f'"{fact.column}"' in text


@pytest.fixture(scope="module")
def ucum() -> PintUcumRegistry:
    return PintUcumRegistry()


@pytest.mark.parametrize("fact", list(Fact), ids=lambda fact: fact.column)
def test_a_fact_has_a_unit_a_level_and_a_meaning(fact: Fact, ucum: PintUcumRegistry) -> None:
    about = fact.value
    assert about.levels
    assert set(about.levels) <= set(Level)
    assert about.meaning[0].islower() or about.meaning[0].isdigit()
    assert ucum.from_ucum(about.unit) is not None


def test_no_two_facts_share_a_name() -> None:
    """Equal members of an Enum would be one."""
    assert len({fact.column for fact in Fact}) == len(Fact.__members__)
