"""The table of roles: complete, without contradiction, and the one place of its facts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from rowcall.condition.minutes import minute_table
from rowcall.draft.tag_words import role_of
from rowcall.model import Signal
from rowcall.site import ROLES, Baghouse, Cleaning, Role, Serves, Tag
from rowcall.units import Dimension


def constant(value: float) -> Signal:
    """A signal with one value in each of three minutes."""
    return Signal(np.array([30.0, 90.0, 150.0]), np.full(3, value))


def test_every_role_has_its_facts_and_a_name_of_its_own() -> None:
    assert set(ROLES) == set(Role)
    names = [facts.name for facts in ROLES.values()]
    assert len(set(names)) == len(names)


def test_no_letters_suggest_two_roles() -> None:
    letters = [word for facts in ROLES.values() for word in facts.letters]
    assert len(set(letters)) == len(letters)


@pytest.mark.parametrize("role", list(Role))
def test_the_facts_of_a_role_agree_with_each_other(role: Role) -> None:
    facts = ROLES[role]
    assert facts.possible is None or facts.possible[0] < facts.possible[1]
    assert bool(facts.usual_units) != (role in BITS_AND_COUNTERS)
    lowest = [value for value, _ in facts.usual_units]
    assert all(high > low for high, low in pairwise(lowest))
    assert role not in facts.instead
    if facts.shares_letters_with is not None:
        assert not facts.letters


BITS_AND_COUNTERS = {
    Role.ROW_SOLENOID,
    Role.STEP_COUNTER,
    Role.CLEANING_ON,
    Role.COMPARTMENT_ON_LINE,
}


@pytest.mark.parametrize("role", [role for role in Role if ROLES[role].letters])
def test_each_of_its_letters_suggests_a_role(role: Role) -> None:
    assert {role_of(f"{letters}-1") for letters in ROLES[role].letters} == {role}


@pytest.mark.parametrize("role", [role for role in Role if role is not Role.OUTLET_TEMPERATURE])
def test_each_of_its_words_suggests_a_role(role: Role) -> None:
    assert {role_of(word) for word in ROLES[role].words} == {role}


def test_words_of_an_outlet_alone_suggest_no_temperature() -> None:
    assert role_of("outlet") is None
    assert role_of("outlet temp") is Role.OUTLET_TEMPERATURE


def test_every_column_of_the_minute_table_comes_from_its_role() -> None:
    house = Baghouse(
        id="B",
        name="B",
        compartments=1,
        rows_per_compartment=(2,),
        cleaning=Cleaning(mode="on_time"),
    )
    table = minute_table(house, {(role, 0, 0): constant(5.0) for role in Role}, 180.0)
    columns = [column for role in Role if (column := ROLES[role].minute_column)]
    assert table.columns == ["minute", "state", *columns, "on_line_frac"]
    assert all(table[column].to_list() == [5.0] * 3 for column in columns)
    pascals = {column for column in columns if column.endswith("_pa")}
    assert pascals == {
        facts.minute_column
        for facts in ROLES.values()
        if facts.minute_column and facts.dimensions == (Dimension.PRESSURE,)
    }


def test_only_a_role_that_serves_a_row_takes_a_row() -> None:
    for role in Role:
        unit = ROLES[role].dimensions[0].value
        tag = Tag(role=role, tag="T", unit=unit, compartment=1, row=1)
        made = {
            "id": "B",
            "name": "B",
            "compartments": 1,
            "rows_per_compartment": [2],
            "cleaning": {"mode": "on_time"},
            "tag": [tag],
        }
        if ROLES[role].serves is Serves.ROW:
            assert Baghouse.model_validate(made).tag == (tag,)
        else:
            with pytest.raises(ValueError, match="takes no row"):
                Baghouse.model_validate(made)
