"""The refill of a header against closed forms: first order, orifices, holes, noise, silent rows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers.scenes import exports, fact, kiln, on_time, study
from scipy.integrate import solve_ivp

from rowcall.events.headers.refills import follow_refills
from rowcall.events.stacking.decompress import filled_in
from rowcall.model import Fact, Floats, Signal
from rowcall.site import Role
from rowcall_plant import HeaderPlan

SET_PA, DROP_PA = 6.0e5, 1.3e5
OPEN_S = 0.15  # a sound valve: common practice, no source


def course(power: float, tau_s: float, at_s: Floats, depth_pa: float) -> Floats:
    """Deficits of dD/dt = -k D^b in closed form; tau_s: D / (-dD/dt) at a deficit of DROP_PA."""
    bend = 1.0 - power
    tau = tau_s * (depth_pa / DROP_PA) ** bend
    if bend == 0:
        return np.asarray(depth_pa * np.exp(-at_s / tau))
    return np.asarray(depth_pa * np.maximum(1.0 - bend * at_s / tau, 0.0) ** (1.0 / bend))


def time_to(power: float, tau_s: float, share: float) -> float:
    """Time until a share of DROP_PA is left."""
    bend = 1.0 - power
    return tau_s * (-math.log(share) if bend == 0 else (1.0 - share**bend) / bend)


def train(
    power: float, tau_s: float, interval_s: float, *, n: int = 1500, noise_pa: float = 0.0
) -> tuple[Floats, Signal]:
    """A header that loses DROP_PA every interval, sampled once a second."""
    fire = 10.0 + np.arange(n) * interval_s
    time = np.arange(0.0, fire[-1] + interval_s) + 0.3701
    depth = DROP_PA
    for _ in range(200):  # to where the staircase ends
        depth = DROP_PA + float(course(power, tau_s, np.array(interval_s - OPEN_S), depth))
    k = np.maximum(np.searchsorted(fire, time, side="right") - 1, 0)
    value = SET_PA - course(power, tau_s, np.maximum(time - fire[k] - OPEN_S, 0.0), depth)
    value += noise_pa * np.random.default_rng(4).standard_normal(time.size)
    return fire, Signal(time, value)


def day_of(header: Signal, fire: Floats, answered: np.ndarray | None = None) -> dict[str, float]:
    """The line of the whole day."""
    flags = np.ones(fire.size, np.bool_) if answered is None else answered
    table = follow_refills(filled_in(header), fire, flags, math.ceil(float(fire[-1]) / 3600.0))
    return next(table.filter(pl.col("hour").is_null()).iter_rows(named=True))


@pytest.mark.parametrize("power", [1.0, 0.5, 0.0], ids=["first order", "orifice", "choked"])
@pytest.mark.parametrize("tau_s", [1.5, 3.0, 6.0])
def test_times_to_recover_are_those_of_the_course(power: float, tau_s: float) -> None:
    """3.0 tau of an exponential, 1.55 tau of an orifice, 0.95 tau of a choked one."""
    interval = 1.3 * time_to(power, tau_s, 0.05) + 0.013
    fire, header = train(power, tau_s, interval, noise_pa=1e3)
    day = day_of(header, fire)
    for column, share in (("tau_s", math.exp(-1.0)), ("recovery_s", 0.05)):
        true = time_to(power, tau_s, share)
        assert day[column] == pytest.approx(true, rel=0.05)
        error = day[column.replace("_s", "_log_error")]
        assert abs(math.log(day[column] / true)) < 2.5 * error
    assert day["plateau_pa"] == pytest.approx(SET_PA, rel=2e-3)


@pytest.mark.parametrize("interval_s", [3.013, 6.013])
def test_a_header_that_is_never_full_states_wide_errors(interval_s: float) -> None:
    """95 % after 12 s, pulsed every 3 or 6 s: the plateau is never seen."""
    fire, header = train(1.0, 4.0, interval_s, n=6000, noise_pa=1e3)
    day = day_of(header, fire)
    true = time_to(1.0, 4.0, 0.05)
    assert abs(math.log(day["recovery_s"] / true)) < 2.5 * day["recovery_log_error"]
    assert abs(day["plateau_pa"] - SET_PA) < 2.5 * day["plateau_error_pa"] + 500.0
    full_fire, full = train(1.0, 4.0, 20.013, noise_pa=1e3)
    assert day_of(full, full_fire)["recovery_log_error"] < day["recovery_log_error"]


def test_an_orifice_is_no_exponential_by_scipy() -> None:
    """Mass flow ~ sqrt(p_s - p), integrated by scipy: 95 % is recovered sooner than 3.0 tau."""
    solved = solve_ivp(
        lambda _, d: -np.sqrt(np.maximum(d, 0.0)) * math.sqrt(DROP_PA) / 4.0,
        (0.0, 20.0),
        [DROP_PA],
        dense_output=True,
        rtol=1e-9,
        atol=1.0,
    )
    assert float(solved.sol(3.0)[0]) == pytest.approx(
        float(course(0.5, 4.0, np.array(3.0), DROP_PA)), rel=1e-4
    )
    fire, header = train(0.5, 4.0, 20.013)
    day = day_of(header, fire)
    assert day["recovery_s"] == pytest.approx(time_to(0.5, 4.0, 0.05), rel=0.03)
    assert day["recovery_s"] < 0.75 * 3.0 * day["tau_s"]


def test_pulses_known_to_be_silent_only_lengthen_the_refill_seen() -> None:
    """Two rows of three silent: folded on all pulses there would be no drop to see."""
    fire, header = train(1.0, 2.2, 36.039)
    every = np.sort(np.concatenate([fire + k * 12.013 for k in range(3)]))
    answered = np.isin(every, fire)
    assert day_of(header, every, answered)["tau_s"] == pytest.approx(2.2, rel=0.02)


def test_an_hour_of_half_the_feed_takes_twice_as_long() -> None:
    fire, header = train(0.5, 3.0, 15.013)
    _, slow = train(0.5, 6.0, 15.013)
    inside = (header.time_s // 3600.0 == 2) & (np.arange(header.time_s.size) < slow.time_s.size)
    value = np.where(inside, slow.value[: header.time_s.size], header.value)
    table = follow_refills(
        filled_in(Signal(header.time_s, value)), fire, np.ones(fire.size, np.bool_), 7
    ).drop_nulls("hour")
    by_hour = dict(table.select("hour", "tau_s").iter_rows())
    assert by_hour[2] == pytest.approx(2.0 * by_hour[1], rel=0.05)
    assert by_hour[4] == pytest.approx(by_hour[1], rel=0.05)


@pytest.mark.parametrize("power", [1.0, 0.5])
def test_a_dead_band_widens_what_is_said_of_the_refill(power: float) -> None:
    """Kept where it left 4 % of a drop: the end of the refill is known by so much less."""
    fire, header = train(power, 2.5, 15.013, noise_pa=500.0)
    kept, last = [0], header.value[0]
    for at, value in enumerate(header.value.tolist()):
        if abs(value - last) > 0.04 * DROP_PA:
            kept.append(at)
            last = value
    thinned = Signal(header.time_s[kept], header.value[kept], bridge_s=86_400.0)
    day, whole = day_of(thinned, fire), day_of(header, fire)
    assert day["recovery_s"] == pytest.approx(time_to(power, 2.5, 0.05), rel=0.2)
    assert day["recovery_log_error"] > 2.0 * whole["recovery_log_error"]
    off = abs(math.log(day["recovery_s"] / time_to(power, 2.5, 0.05)))
    assert off < 2.0 * day["recovery_log_error"]


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_rows_pulsed_at_the_same_instant_are_one_pulse_to_the_header() -> None:
    fire, header = train(0.0, 6.0, 20.0, n=300)
    alone, both = day_of(header, fire), day_of(header, np.repeat(fire, 4))
    assert both["recovery_s"] == pytest.approx(alone["recovery_s"], rel=1e-6)
    same = follow_refills(filled_in(header), np.full(20, fire[0]), np.ones(20, np.bool_), 2)
    assert same.is_empty()


def test_few_pulses_or_a_level_pressure_show_no_refill() -> None:
    fire, header = train(1.0, 2.2, 12.013)
    assert follow_refills(filled_in(header), fire[:4], np.ones(4, np.bool_), 1).is_empty()
    level = Signal(header.time_s, np.full(header.time_s.size, SET_PA))
    assert follow_refills(filled_in(level), fire, np.ones(fire.size, np.bool_), 6).is_empty()


def test_an_end_that_the_next_pulse_hides_leaves_the_time_to_95_open() -> None:
    """An orifice all but level at the next pulse, on a line shared with others, may rise on."""
    open_s = time_to(0.5, 4.0, 0.1)
    fire, header = train(0.5, 4.0, open_s + 0.013, n=3000, noise_pa=500.0)
    rested_fire, rested = train(0.5, 4.0, 20.013, noise_pa=500.0)
    hidden, seen = day_of(header, fire), day_of(rested, rested_fire)
    assert hidden["recovery_log_error"] > 0.15 > seen["recovery_log_error"]
    # Times to 63 % are compared hour by hour, where what is hidden is the same.
    assert hidden["tau_log_error"] < 0.1


def test_no_plateau_lies_beyond_what_a_transmitter_shows() -> None:
    """Of a refill that rises all but as a line to the next pulse, no sample shows the end."""
    fire, header = train(1.0, 15.0, 4.013, n=4000, noise_pa=100.0)
    line = filled_in(Signal(header.time_s, header.value - header.value.min() + 5.0e5))
    n_hours = math.ceil(float(fire[-1]) / 3600.0)
    highest = [
        follow_refills(line, fire, np.ones(fire.size, np.bool_), n_hours, max_pa)["plateau_pa"]
        for max_pa in (math.inf, 8.0e5)
    ]
    assert highest[0].median() == pytest.approx(10.7e5, rel=0.1)
    assert highest[1].len() > 0
    assert float(np.max(highest[1].to_numpy())) <= 8.0e5


def test_the_range_in_the_site_file_bounds_the_plateau() -> None:
    """Refilled in 13 s, pulsed every 8 s: of 6 bar pulses start from 4.7."""
    plan = kiln(rows=(6,), cleaning=on_time(6, 8.0), header=HeaderPlan(tau_s=13.0))
    export = exports(plan, hours=2)[0]
    tags = [
        tag.model_copy(update={"span": (0.0, 5.2)}) if tag.role is Role.HEADER_PRESSURE else tag
        for tag in export.baghouse.tag
    ]
    narrow = replace(export, baghouse=export.baghouse.model_copy(update={"tag": tuple(tags)}))
    assert fact(study(export).day, Fact.PLATEAU_PA, 1) > 5.5e5  # type: ignore[operator]
    assert fact(study(narrow).day, Fact.PLATEAU_PA, 1) <= 5.2e5  # type: ignore[operator]
