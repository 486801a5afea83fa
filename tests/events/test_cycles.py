"""Cleaning cycles and the day's facts against the controller's settings and the true calls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers.scene_edits import edited
from helpers.scenes import Export, Studied, exports, fact, kiln, local, on_time, sample_tag, study

from rowcall.model import Fact
from rowcall.site import Role, Sample
from rowcall.store.samples import TagSamples
from rowcall_plant import PlannedStop, RowSilent


@pytest.fixture(scope="module")
def export() -> Export:
    return exports(kiln(), seed=5)[0]


@pytest.fixture(scope="module")
def on_demand(export: Export) -> Studied:
    return study(export)


@pytest.fixture(scope="module")
def by_clock() -> Studied:
    return study(exports(kiln(cleaning=on_time(6)), seed=5, hours=6)[0])


def bouts(studied: Studied, pause_s: float = 60.0) -> list[tuple[float, float, int]]:
    """True bouts of cleaning: first call, last call, number of calls."""
    called = studied.truth.pulses["time"].sort().to_list()
    at = np.array([(time - studied.day.start).total_seconds() for time in called])
    parts = np.split(at, np.flatnonzero(np.diff(at) > pause_s) + 1)
    return [(float(part[0]), float(part[-1]), part.size) for part in parts]


def test_cycles_on_demand_are_those_of_the_controller(on_demand: Studied) -> None:
    true, cycles = bouts(on_demand), on_demand.day.cycles
    assert cycles.height == len(true) - 1
    assert cycles["start_s"].to_list() == pytest.approx([b[0] for b in true[:-1]], abs=0.05)
    assert cycles["end_s"].to_list() == pytest.approx([b[0] for b in true[1:]], abs=0.05)
    assert cycles["n_pulses"].to_list() == [b[2] for b in true[:-1]]
    period = np.diff([b[0] for b in true])
    assert cycles["cycle_time_s"].to_list() == pytest.approx(period, abs=0.1)


def test_cycles_on_demand_lie_between_the_set_points(on_demand: Studied) -> None:
    cycles = on_demand.day.cycles
    # Starts at 1200 Pa; stops at or below 900 Pa, but only after a whole pass.
    assert cycles["peak_dp_pa"].median() == pytest.approx(1200.0, rel=0.03)
    assert cycles["residual_dp_pa"].median() == pytest.approx(900.0, rel=0.06)
    assert cycles["state_running"].all()
    assert cycles["flow_m3_s"].median() == pytest.approx(0.93 * 60_000 / 3600, rel=0.06)


def test_cycles_by_the_clock_are_passes_of_all_rows(by_clock: Studied) -> None:
    cycles = by_clock.day.cycles
    assert set(cycles["n_pulses"].to_list()) == {12}
    assert cycles["cycle_time_s"].median() == pytest.approx(12 * 12.0125, abs=0.1)  # scan: 12.5 ms
    assert cycles.height == pytest.approx(21_600 / (12 * 12.0125), abs=2)
    assert (cycles["residual_dp_pa"] < cycles["peak_dp_pa"]).all()


def without(export: Export, role: Role) -> Export:
    names = [tag.tag for tag in export.baghouse.tag if tag.role is role]
    return edited(export, lambda all_of: {k: v for k, v in all_of.items() if k not in names})


def test_the_switch_tells_cycles_where_no_fire_is_known(on_demand: Studied, export: Export) -> None:
    blind = study(without(without(export, Role.ROW_SOLENOID), Role.HEADER_PRESSURE)).day.cycles
    assert blind.height == on_demand.day.cycles.height
    assert blind["start_s"].to_list() == pytest.approx(
        on_demand.day.cycles["start_s"].to_list(), abs=0.1
    )
    assert set(blind["n_pulses"].to_list()) == {0}


def scanned(export: Export) -> Export:
    """Look at every bit once a second only, as a slow scanner would."""
    start, end = export.span
    seconds = np.arange(int((end - start).total_seconds()))
    grid = int(start.timestamp() * 1e6) + seconds * 1_000_000
    bits = {tag.tag for tag in export.baghouse.tag if tag.role is Role.ROW_SOLENOID}
    samples = {
        name: TagSamples(
            grid,
            one.value[np.searchsorted(one.time_us, grid, side="right") - 1],
            np.zeros(grid.size, np.uint8),
        )
        if name in bits
        else one
        for name, one in export.samples.items()
    }
    tags = tuple(
        tag.model_copy(update={"sample": Sample.AT_INTERVALS}) if tag.tag in bits else tag
        for tag in export.baghouse.tag
    )
    return replace(
        export, samples=samples, baghouse=export.baghouse.model_copy(update={"tag": tags})
    )


def test_scanned_bits_number_the_rows_of_the_cadence() -> None:
    """One bit in ten is caught: too few to count by, enough to say which beat is whose."""
    export = exports(kiln(cleaning=on_time(6, 10.3)), seed=5, hours=12)[0]
    sharp, blunt = study(export), study(scanned(export))
    assert blunt.day.fires_known
    assert blunt.day.inferred[1].is_row
    assert blunt.day.pulses.height == pytest.approx(sharp.day.pulses.height, rel=0.01)
    assert fact(blunt.day, Fact.CYCLE_TIME_S) == pytest.approx(
        fact(sharp.day, Fact.CYCLE_TIME_S), rel=0.01
    )
    for row in range(1, 7):
        called = fact(sharp.day, Fact.N_SENT, 1, row)
        assert fact(blunt.day, Fact.N_SENT, 1, row) == pytest.approx(called, rel=0.01)


def test_bits_caught_too_seldom_leave_places(export: Export) -> None:
    """A row that no bit names must not look as if it were never called."""
    day = study(scanned(export)).day
    assert not day.inferred[1].is_row
    assert min(fact(day, Fact.N_SENT, 1, row) or 0 for row in range(1, 7)) > 50


def test_scanned_bits_alone_do_not_stretch_the_cycles(export: Export) -> None:
    blind = study(without(scanned(export), Role.HEADER_PRESSURE))
    assert not blind.day.fires_known
    assert fact(blind.day, Fact.N_SENT, 1, 1) is None  # says nothing of how often it was called


def test_a_stop_has_no_cycles() -> None:
    stop = PlannedStop(start=local(0, 9), end=local(0, 14, 30))
    studied = study(exports(kiln(stops=(stop,)), seed=5)[0])
    cycles = studied.day.cycles.filter(pl.col("state_running"))
    # Nothing within the stop, its ramp of 5 min before, and the start of 15 min after it.
    inside = cycles.filter((pl.col("start_s") < 14.75 * 3600) & (pl.col("start_s") > 8.95 * 3600))
    assert inside.is_empty()
    spans_it = cycles.filter((pl.col("start_s") < 9 * 3600) & (pl.col("end_s") > 14 * 3600))
    assert spans_it.height <= 1
    idle = studied.day.minutes.filter(pl.col("state") == "idle")
    assert idle.height == pytest.approx(5.5 * 60, abs=12)
    assert fact(studied.day, Fact.RUNNING_MIN) == pytest.approx(18.5 * 60, abs=45)


def test_a_single_pulse_is_no_cycle(export: Export) -> None:
    bit = next(tag.tag for tag in export.baghouse.tag if tag.role is Role.ROW_SOLENOID)

    def once(all_of: dict[str, TagSamples]) -> dict[str, TagSamples]:
        bits = {tag.tag for tag in export.baghouse.tag if tag.role is Role.ROW_SOLENOID}
        switch = sample_tag(export, "cleaning_on")
        kept = {k: v for k, v in all_of.items() if k not in bits | {switch}}
        one = all_of[bit]
        return {**kept, bit: TagSamples(one.time_us[:3], one.value[:3], one.quality[:3])}

    studied = study(edited(export, once))
    assert studied.day.pulses.height == 1
    assert studied.day.cycles.is_empty()


def test_facts_of_rows(on_demand: Studied) -> None:
    called = on_demand.truth.pulses.group_by("compartment", "row").len()
    for compartment, row, n in called.iter_rows():
        assert fact(on_demand.day, Fact.N_SENT, compartment, row) == n
        assert fact(on_demand.day, Fact.N_ANSWERED, compartment, row) == n
    for compartment in (1, 2):
        ratios = [fact(on_demand.day, Fact.DROP_RATIO, compartment, row) for row in range(1, 7)]
        # Each row is held against the others; rows differ by 3 %.
        assert np.median(np.array(ratios, np.float64)) == pytest.approx(1.0, abs=0.03)
        assert max(ratios) < 1.15  # type: ignore[type-var, operator]


def test_a_row_that_is_never_called_has_no_calls(export: Export) -> None:
    bit = next(
        tag.tag
        for tag in export.baghouse.tag
        if tag.role is Role.ROW_SOLENOID and (tag.compartment, tag.row) == (2, 5)
    )

    def uncalled(all_of: dict[str, TagSamples]) -> dict[str, TagSamples]:
        one = all_of[bit]
        return {**all_of, bit: TagSamples(one.time_us[:1], one.value[:1], one.quality[:1])}

    day = study(edited(export, uncalled)).day
    assert fact(day, Fact.N_SENT, 2, 5) == 0.0
    assert fact(day, Fact.DROP_PA, 2, 5) is None
    assert fact(day, Fact.N_SENT, 2, 4) == fact(study(export).day, Fact.N_SENT, 2, 4)


def test_hourly_time_constants_make_the_day(on_demand: Studied) -> None:
    hours = on_demand.day.hours.filter(pl.col("compartment") == 1).sort("hour")
    assert hours["hour"].to_list() == list(range(24))
    true = on_demand.truth.pulses.filter(pl.col("compartment") == 1)["tau_s"].median()
    assert hours["tau_s"].to_numpy() == pytest.approx(true, rel=0.1)
    assert hours["n_pulses"].sum() <= fact(on_demand.day, Fact.N_PULSES, 1)  # type: ignore[operator]


def test_facts_of_the_baghouse(on_demand: Studied) -> None:
    day = on_demand.day
    assert fact(day, Fact.N_PULSES) == on_demand.truth.pulses.height
    assert fact(day, Fact.N_CYCLES) == day.cycles.height
    flow, residual = fact(day, Fact.FLOW_M3_S), fact(day, Fact.RESIDUAL_DP_PA)
    assert flow is not None
    assert residual is not None
    assert fact(day, Fact.RESIDUAL_DP_PER_FLOW) == pytest.approx(residual / flow, rel=0.02)
    # Drag is pressure drop over filtration velocity: S = dP / V, V = flow / cloth area.
    assert fact(day, Fact.RESIDUAL_DRAG) == pytest.approx(residual * 1008.0 / flow, rel=0.02)
    assert fact(day, Fact.SUPPLY_PRESSURE_PA) == pytest.approx(6.8e5, rel=0.02)
    assert day.facts["value"].is_finite().all()


def test_a_silent_row_is_heard_and_not_answered_in_the_facts() -> None:
    fault = RowSilent(start=local(0), compartment=2, row=2)
    day = study(exports(kiln(), [fault], seed=5, hours=8)[0]).day
    assert fact(day, Fact.N_SENT, 2, 2) == fact(day, Fact.N_JUDGED, 2, 2)
    assert fact(day, Fact.N_ANSWERED, 2, 2) == 0.0
    assert fact(day, Fact.TAU_S, 2, 2) is None
