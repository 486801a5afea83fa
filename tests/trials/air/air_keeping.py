"""How a historian records the air of a baghouse: headers, bits, and a supply that has a tag."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rowcall.site import Baghouse
from rowcall.store.samples import TagSamples
from trials.air.air_day import AirDay
from trials.air.air_faults import DAY_S
from trials.air.air_plan import AirPlan
from trials.by_plant import START
from trials.calling import bit_tag, keep_calls
from trials.conditions import SPAN_BAR, Condition
from trials.keeping import keep_pressure
from trials.schedule import Floats, Schedule

_NOISE = (0.001, 0.005)  # of span, drawn for each trial
SUPPLY = "BH1.PT-001"


@dataclass(frozen=True, slots=True)
class AirCondition:
    """One way of recording. kept: as of the roll call; its noise is drawn for each trial."""

    name: str
    kept: Condition
    has_supply: bool = False


AIR_CONDITIONS = (
    AirCondition("1 s", Condition(name="air 1 s", step_s=1.0)),
    AirCondition("5 s", Condition(name="air 5 s", step_s=5.0)),
    AirCondition("1 s, supply tag", Condition(name="air 1 s", step_s=1.0), has_supply=True),
    AirCondition("5 s, supply tag", Condition(name="air 5 s", step_s=5.0), has_supply=True),
    AirCondition("1 s dead-band", Condition(name="air 1 s", step_s=1.0, keep="dead-band")),
    AirCondition("5 s dead-band", Condition(name="air 5 s", step_s=5.0, keep="dead-band")),
    AirCondition("1 s missing", Condition(name="air 1 s", step_s=1.0, missing=0.04)),
    AirCondition("5 s missing", Condition(name="air 5 s", step_s=5.0, missing=0.04)),
)


def header_tag(compartment: int) -> str:
    """Name of the header pressure of a compartment."""
    return f"BH1.PT-{compartment}10"


def keep_day(air: AirDay, condition: AirCondition) -> dict[str, TagSamples]:
    """Return the samples of one day by tag; the same noise whatever was planted."""
    plan, first_s = air.plan, air.span_s[0]
    rng = np.random.default_rng([plan.seed, round(first_s), zlib.crc32(condition.name.encode())])
    noise = float(np.random.default_rng([plan.seed, 13]).uniform(*_NOISE))
    kept = replace(condition.kept, noise=noise, hours=24.0)
    pressures = {header_tag(c): one for c, one in enumerate(air.header_pa, start=1)}
    if condition.has_supply:
        pressures[SUPPLY] = air.supply_pa
    samples = {}
    for tag, pressure_pa in pressures.items():
        at_s, bar = keep_pressure(rng, kept, partial(_since, pressure_pa, first_s), DAY_S)
        samples[tag] = _samples(first_s + at_s, bar)
    pulses = plan.pulses.between(*air.span_s)
    for compartment in range(1, plan.compartments + 1):
        own = pulses.of(pulses.compartment == compartment)
        order = tuple(range(1, plan.rows + 1))
        schedule = Schedule(DAY_S, own.at_s - first_s, own.row, order)
        for tag, at_s, value in keep_calls(rng, kept, schedule, compartment):
            samples[tag] = _samples(first_s + at_s, value)
    return samples


def _since(pressure_pa: Callable[[Floats], Floats], first_s: float, at_s: Floats) -> Floats:
    return pressure_pa(first_s + at_s)


def _samples(at_s: Floats, value: Floats) -> TagSamples:
    time_us = round(START.timestamp() * 1e6) + np.round(at_s * 1e3).astype(np.int64) * 1000
    return TagSamples(time_us, value, np.zeros(value.size, np.uint8))


def joined(days: Sequence[Mapping[str, TagSamples]]) -> dict[str, TagSamples]:
    """Return the samples of several days one after the other."""
    parts = ("time_us", "value", "quality")
    return {
        tag: TagSamples(*(np.concatenate([getattr(day[tag], of) for day in days]) for of in parts))
        for tag in days[0]
    }


def baghouse_of(plan: AirPlan, condition: AirCondition) -> Baghouse:
    """Return the baghouse as a site file has it."""
    sample = "at intervals" if condition.kept.keep == "at intervals" else "thinned"
    analogue = {"unit": "bar", "sample": sample, "range": (0.0, SPAN_BAR)}
    places = [(c, r) for c in range(1, plan.compartments + 1) for r in range(1, plan.rows + 1)]
    tags: list[dict[str, object]] = [
        {"role": "header_pressure", "compartment": c, "tag": header_tag(c), **analogue}
        for c in range(1, plan.compartments + 1)
    ]
    if condition.has_supply:
        tags.append({"role": "supply_pressure", "tag": SUPPLY, **analogue})
    tags += [
        {
            "role": "row_solenoid",
            "compartment": c,
            "row": r,
            "tag": bit_tag(r, c),
            "unit": "1",
            "sample": "on change",
        }
        for c, r in places
    ]
    return Baghouse.model_validate(
        {
            "id": "BH1",
            "name": "Trial filter",
            "compartments": plan.compartments,
            "rows_per_compartment": plan.rows,
            "media": "polyester",
            "header_volume": "0.2 m3",
            "pulse_pressure": f"{plan.set_pa / 1e5:.2f} bar",
            "firing_order": tuple(range(1, plan.rows + 1)),
            "cleaning": {"mode": "on_time", "interval": f"{plan.interval_s:g} s"},
            "tag": tags,
        }
    )


def condition_of(name: str) -> AirCondition:
    """Return the condition of a name. Raises ValueError with the names there are."""
    for condition in AIR_CONDITIONS:
        if condition.name == name:
            return condition
    names = ", ".join(repr(one.name) for one in AIR_CONDITIONS)
    raise ValueError(f"there is no condition {name!r}; there are {names}")
