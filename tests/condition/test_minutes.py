"""Minute means, bridging, on-line share, and the operating state."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pytest

from rowcall.condition.minutes import minute_means, minute_table
from rowcall.condition.sampling import LONGEST_STEP_S
from rowcall.condition.state import State, operating_state
from rowcall.model import Floats, Signal
from rowcall.site import Baghouse, Cleaning, Role

N = 1440


def house(**how: object) -> Baghouse:
    fixed = {
        "id": "BH1",
        "name": "Kiln filter",
        "compartments": 2,
        "rows_per_compartment": (6, 4),
        "cleaning": Cleaning(mode="on_time"),
    }
    return Baghouse.model_validate(fixed | how)


def signal(time_s: list[float] | Floats, value: list[float] | Floats, step: bool = False) -> Signal:
    hold_s = LONGEST_STEP_S if step else 60.0
    return Signal(np.asarray(time_s, np.float64), np.asarray(value, np.float64), step, hold_s)


def test_points_within_a_minute_are_averaged() -> None:
    mean = minute_means(signal([0.0, 20.0, 40.0, 60.0, 119.9], [1.0, 2.0, 6.0, 10.0, 20.0]), 2)
    assert mean.tolist() == [3.0, 15.0]


def test_a_minute_takes_no_point_of_its_neighbours() -> None:
    mean = minute_means(signal([-1.0, 59.999, 120.0], [100.0, 1.0, 3.0]), 3)
    assert mean[0] == 1.0
    assert mean[2] == 3.0


@pytest.mark.parametrize(("gap_s", "is_bridged"), [(600.0, True), (601.0, False)])
def test_gaps_are_bridged_along_the_line_for_ten_minutes(gap_s: float, is_bridged: bool) -> None:
    mean = minute_means(signal([30.0, 30.0 + gap_s], [0.0, gap_s]), 11)
    between = mean[1:10]
    assert np.isfinite(between).all() == is_bridged
    if is_bridged:
        assert between == pytest.approx(60.0 * np.arange(1, 10))


def test_nothing_is_made_up_before_the_first_and_after_the_last_point() -> None:
    mean = minute_means(signal([200.0, 260.0], [1.0, 2.0]), 8)
    assert np.isnan(mean[[0, 1, 2, 5, 6, 7]]).all()
    assert mean[[3, 4]].tolist() == [1.0, 2.0]


def test_a_step_signal_holds_until_its_next_point() -> None:
    mean = minute_means(signal([-5000.0, 86_000.0], [1.0, 0.0], step=True), N)
    assert (mean[: 86_000 // 60] == 1.0).all()
    assert (mean[86_000 // 60 :] == 0.0).all()


def test_the_table_has_a_column_for_each_usable_role_and_nulls_for_gaps() -> None:
    hour = np.arange(0.0, 3600.0, 10.0)
    signals = {
        (Role.DP, 0, 0): signal(hour, np.full(360, 900.0)),
        (Role.INLET_TEMPERATURE, 0, 0): signal(hour, np.full(360, 150.0)),
    }
    table = minute_table(house(), signals, 86_400.0)
    assert table.columns == ["minute", "state", "dp_pa", "inlet_temperature_c", "on_line_frac"]
    assert table["minute"].to_list() == list(range(N))
    assert table["dp_pa"].null_count() == N - 60
    assert table["dp_pa"].to_list()[:60] == [900.0] * 60


@pytest.mark.parametrize("hours", [23, 24, 25])
def test_the_table_is_as_long_as_the_day(hours: int) -> None:
    assert minute_table(house(), {}, hours * 3600.0).height == hours * 60


def test_on_line_share_counts_rows_not_compartments() -> None:
    off = signal([-10.0, 3600.0, 7200.0], [1.0, 0.0, 1.0], step=True)
    table = minute_table(house(), {(Role.COMPARTMENT_ON_LINE, 1, 0): off}, 86_400.0)
    share = table["on_line_frac"].to_numpy()
    assert share[[0, 59, 60, 119, 120]].tolist() == [1.0, 1.0, 0.4, 0.4, 1.0]


def test_where_no_bit_tells_a_compartment_counts_as_on_line() -> None:
    """Before the day's first value of a bit as for a compartment that has none."""
    off = signal([3600.0, 7200.0], [0.0, 1.0], step=True)
    table = minute_table(house(), {(Role.COMPARTMENT_ON_LINE, 1, 0): off}, 86_400.0)
    share = table["on_line_frac"].to_numpy()
    assert share[[0, 59, 60, 119, 120]].tolist() == [1.0, 1.0, 0.4, 0.4, 1.0]


def states(columns: Mapping[str, Floats], **how: object) -> list[tuple[str, int, int]]:
    """Return the runs of equal state as (state, first minute, length)."""
    found = operating_state(house(**how), columns, N)
    edges = [0, *(k for k in range(1, N) if found[k] != found[k - 1]), N]
    return [(found[a], a, b - a) for a, b in pairwise(edges)]


def stop(level: float, begin: int, end: int, ramp: int = 0, floor: float = 0.0) -> Floats:
    """A day at `level` with a stop in [begin, end) that the level falls to in `ramp` minutes."""
    value = np.full(N, level)
    value[begin:end] = floor
    value[begin - ramp : begin] = np.linspace(level, floor, ramp + 2)[1:-1]
    return value


# Flow tells it best, a fan next, DP last; each day has a stop from minute 500 to 800.
@pytest.mark.parametrize(
    ("column", "level", "floor"),
    [("gas_flow_m3_s", 16.0, 0.4), ("fan_signal", 78.0, 0.0), ("dp_pa", 1000.0, 12.0)],
)
def test_a_stop_is_seen_by_whatever_tells_of_gas(column: str, level: float, floor: float) -> None:
    assert states({column: stop(level, 500, 800, floor=floor)}) == [
        (State.RUNNING, 0, 500),
        (State.IDLE, 500, 300),
        (State.STARTING, 800, 15),
        (State.RUNNING, 815, 625),
    ]


def test_flow_is_believed_before_fan_and_fan_before_dp() -> None:
    flow, idle = stop(16.0, 500, 800), np.zeros(N)
    by_flow = states({"gas_flow_m3_s": flow})
    assert states({"gas_flow_m3_s": flow, "fan_signal": idle, "dp_pa": idle}) == by_flow
    assert states({"fan_signal": flow, "dp_pa": idle}) == by_flow
    nothing = np.full(N, np.nan)
    assert states({"gas_flow_m3_s": nothing, "fan_signal": flow}) == by_flow


def test_flow_that_falls_before_a_halt_is_the_stop() -> None:
    found = states({"gas_flow_m3_s": stop(16.0, 500, 800, ramp=10)})
    assert [run[0] for run in found] == [
        State.RUNNING,
        State.STOPPING,
        State.IDLE,
        State.STARTING,
        State.RUNNING,
    ]
    _, begin, length = found[1]
    # The ramp passes 70 % of its level after 3 of its 10 minutes, 20 % in its last two.
    assert begin == pytest.approx(493, abs=1)
    assert begin + length == pytest.approx(498, abs=1)


def test_a_running_temperature_bounds_start_and_stop() -> None:
    inlet = np.full(N, 160.0)
    inlet[480:860] = 60.0
    columns = {"gas_flow_m3_s": stop(16.0, 500, 800), "inlet_temperature_c": inlet}
    assert states(columns, running_temperature="110 Cel") == [
        (State.RUNNING, 0, 480),
        (State.STOPPING, 480, 20),
        (State.IDLE, 500, 300),
        (State.STARTING, 800, 60),
        (State.RUNNING, 860, 580),
    ]


def test_running_flow_of_the_site_file_is_the_limit() -> None:
    columns = {"gas_flow_m3_s": stop(16.0, 500, 800, floor=5.0)}
    assert states(columns) == [(State.RUNNING, 0, N)]
    assert (State.IDLE, 500, 300) in states(columns, running_flow="6 m3/s")


def test_without_any_signal_of_gas_the_state_is_unknown() -> None:
    columns = {"inlet_temperature_c": np.full(N, 150.0)}
    assert states(columns) == [(State.UNKNOWN, 0, N)]


def test_a_gap_in_the_data_is_neither_a_stop_nor_a_start() -> None:
    flow = np.full(N, 16.0)
    flow[600:700] = np.nan
    assert states({"gas_flow_m3_s": flow}) == [
        (State.RUNNING, 0, 600),
        (State.UNKNOWN, 600, 100),
        (State.RUNNING, 700, 740),
    ]


def test_a_unit_that_stands_all_day_is_idle() -> None:
    columns = {"gas_flow_m3_s": np.full(N, 0.1)}
    assert states(columns, design_flow="60000 m3/h") == [(State.IDLE, 0, N)]
