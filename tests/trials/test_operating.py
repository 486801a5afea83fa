"""Days of starts and of cleaning on demand: their truth, by both physics."""

from __future__ import annotations

from dataclasses import replace

import pytest

from trials.operating import demand, starts


def test_steam_condenses_as_steam_tables_say() -> None:
    assert starts.water_c(10_000 / 101_325) == pytest.approx(45.81, abs=0.02)
    assert starts.water_c(0.2) == pytest.approx(60.3, abs=0.3)


def test_both_physics_start_when_planned_and_are_cold_for_longer_the_slower_they_heat() -> None:
    plan = replace(starts.start_plan(3), stop_s=20_000.0, start_s=50_000.0, ramp_s=100.0)
    for physics in (starts.plant, starts.casing):
        cold_s = []
        for heating_s in (600.0, 1800.0):
            slow = replace(plan, heating_s=heating_s)
            day = physics(slow)
            assert day.begin_s(slow) == pytest.approx(50_020, abs=15)
            cold_s.append(day.cold_s(slow, 100.0))
        assert 0 < 2 * cold_s[0] < cold_s[1]


def test_the_controller_starts_at_its_set_point() -> None:
    plan = demand.demand_plan(2)
    day = demand.plant(plan)
    assert day.dp.max() == pytest.approx(plan.start_pa, abs=0.02 * plan.band_pa)
    assert day.dp.min() < plan.stop_pa
