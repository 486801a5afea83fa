"""One trial: drawn from a condition, a simulator and a seed; samples beside their labels."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from rowcall.site import Baghouse
from rowcall.store.samples import TagSamples
from trials.by_plant import START, simulate_plant
from trials.by_vessel import simulate_vessel
from trials.calling import COUNTER, bit_tag, keep_calls
from trials.conditions import SPAN_BAR, Condition
from trials.header_day import HeaderDay, RowLabel, labels_of
from trials.keeping import keep_pressure
from trials.rows import HeaderPlan, RowPlan, draw_header
from trials.schedule import Floats, Schedule, draw_schedule

Simulator = Literal["plant", "vessel"]
SIMULATORS: tuple[Simulator, ...] = ("plant", "vessel")
PRESSURE = "BH1.PT-110"
SIMULATE = {"plant": simulate_plant, "vessel": simulate_vessel}


@dataclass(frozen=True, slots=True)
class Trial:
    """A header-day as a historian kept it, and the truth.

    header, truth: as planted, and the noise-free day. labels: row 1 first.
    """

    condition: Condition
    simulator: Simulator
    seed: int
    header: HeaderPlan
    truth: HeaderDay
    labels: tuple[RowLabel, ...]
    baghouse: Baghouse
    samples: Mapping[str, TagSamples]

    @property
    def start(self) -> datetime:
        """First instant, UTC."""
        return START

    @property
    def end(self) -> datetime:
        """First instant after the trial, UTC."""
        return START + timedelta(hours=self.condition.hours)


def make_trial(
    condition: Condition, simulator: Simulator, seed: int, rows: tuple[RowPlan, ...] = ()
) -> Trial:
    """Make one trial; the same arguments give the same samples.

    Both simulators are given the same header and schedule for a seed. `rows` are planted instead
    of drawn ones.
    """
    header, schedule, interval_s = draw_plant(condition, seed, rows)
    plant_rng, keep_rng = (stream(condition, seed, part) for part in (1, 2))
    truth = SIMULATE[simulator](plant_rng, header, schedule)
    pressure = keep_pressure(keep_rng, condition, truth.pressure_pa, schedule.seconds)
    samples = {PRESSURE: _samples(*pressure)}
    for tag, at_s, value in keep_calls(keep_rng, condition, schedule):
        samples[tag] = _samples(at_s, value)
    return Trial(
        condition=condition,
        simulator=simulator,
        seed=seed,
        header=header,
        truth=truth,
        labels=labels_of(header, truth),
        baghouse=_baghouse(condition, header, schedule, interval_s),
        samples=samples,
    )


def draw_plant(
    condition: Condition, seed: int, rows: tuple[RowPlan, ...] = ()
) -> tuple[HeaderPlan, Schedule, float]:
    """Draw a header with its faults, the calls, and the interval set between two calls [s]."""
    rng = stream(condition, seed, 0)
    interval_s = _interval(rng, condition)
    n_rows = len(rows) or int(rng.integers(*condition.n_rows, endpoint=True))
    header = draw_header(rng, n_rows, interval_s, condition.faults, is_wide=condition.is_wide)
    if condition.refill_share:
        refill_s = interval_s * float(rng.uniform(*condition.refill_share))
        header = replace(header, refill_s=refill_s)
    if rows:
        header = replace(header, rows=rows)
    schedule = draw_schedule(
        rng,
        header,
        seconds=3600.0 * condition.hours,
        interval_s=interval_s,
        is_locked=condition.phase != "drifting",
        has_pauses=condition.has_pauses,
    )
    return header, schedule, interval_s


def stream(condition: Condition, seed: int, part: int) -> np.random.Generator:
    """Random numbers of one part of a trial: 0 the plan, 1 the plant, 2 the historian."""
    return np.random.default_rng([seed, zlib.crc32(condition.name.encode()), part])


def _interval(rng: np.random.Generator, condition: Condition) -> float:
    """Time between calls; of whole sampling periods where every call keeps its phase."""
    low, high = condition.interval_s
    if condition.phase != "locked":
        return round(float(rng.uniform(low, high)), 1)
    step = condition.step_s
    return step * float(rng.integers(int(np.ceil(low / step)), int(high / step), endpoint=True))


def _samples(at_s: Floats, value: Floats) -> TagSamples:
    first_us = round(START.timestamp() * 1e6)
    time_us = first_us + np.round(at_s * 1e3).astype(np.int64) * 1000
    return TagSamples(time_us, value, np.zeros(value.size, np.uint8))


def _baghouse(
    condition: Condition, header: HeaderPlan, schedule: Schedule, interval_s: float
) -> Baghouse:
    """The baghouse as a site file would have it."""
    sample = "at intervals" if condition.keep == "at intervals" else "thinned"
    tags: list[dict[str, object]] = [
        {
            "role": "header_pressure",
            "compartment": 1,
            "tag": PRESSURE,
            "unit": "bar",
            "sample": sample,
            "range": (0.0, SPAN_BAR),
        }
    ]
    if condition.rows_by == "scanned counter":
        tags.append({"role": "step_counter", "compartment": 1, "tag": COUNTER, "unit": "1"})
    else:
        kept = "on change" if condition.rows_by == "bits on change" else "at intervals"
        tags += [
            {
                "role": "row_solenoid",
                "compartment": 1,
                "row": row,
                "tag": bit_tag(row),
                "unit": "1",
                "sample": kept,
            }
            for row in range(1, len(header.rows) + 1)
        ]
    return Baghouse.model_validate(
        {
            "id": "BH1",
            "name": "Trial filter",
            "compartments": 1,
            "rows_per_compartment": len(header.rows),
            "pulse_pressure": f"{header.set_pa / 1e5:.2f} bar",
            "firing_order": schedule.order,
            "cleaning": {
                "mode": "on_demand" if condition.has_pauses else "on_time",
                "interval": f"{interval_s:g} s",
            },
            "tag": tags,
        }
    )
