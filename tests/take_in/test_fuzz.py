"""Valid exports, and three of each kind of damage: nothing raised, lost, invented, stored wrong.

`soak/fuzz_take_in.py` does the same with as many files as time allows.
"""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
from helpers.odd_exports.export_judge import Judge
from helpers.odd_exports.mutations import (
    PARQUET_MUTATORS,
    TEXT_MUTATORS,
    Mutator,
    damaged_case,
    valid_case,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

_MUTATORS = tuple(dict.fromkeys((*TEXT_MUTATORS, *PARQUET_MUTATORS)))
_SEEDS = st.integers(0, 2**32)
_SHARED = [HealthCheck.function_scoped_fixture]  # one store serves all examples


@pytest.fixture(scope="module")
def judge(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Judge]:
    """Return a judge with a store of its own."""
    made = Judge(tmp_path_factory.mktemp("judge"))
    yield made
    made.close()


@settings(max_examples=10, suppress_health_check=_SHARED)
@given(seed=_SEEDS)
def test_of_a_valid_export_exactly_the_truth_is_stored(judge: Judge, seed: int) -> None:
    judged = judge.judge(valid_case(Random(seed)))
    assert (judged.outcome, judged.wrong) == ("stored", ())


@pytest.mark.parametrize("mutator", _MUTATORS, ids=lambda mutator: mutator.__name__)
@settings(max_examples=3, suppress_health_check=_SHARED)
@given(seed=_SEEDS)
def test_no_damage_breaks_a_promise(judge: Judge, mutator: Mutator, seed: int) -> None:
    assert judge.judge(damaged_case(Random(seed), mutator)).wrong == ()
