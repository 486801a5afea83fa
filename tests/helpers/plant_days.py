"""Simulated days put end to end."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from rowcall_plant import BaghousePlan, Fault, Frames, Truth, simulate_days


def simulate(
    plan: BaghousePlan, faults: Sequence[Fault] = (), *, start: datetime, days: int, seed: int
) -> tuple[Frames, Truth]:
    """Simulate `days` plant-local calendar days from `start` (a UTC instant) as one piece."""
    made = list(simulate_days(plan, faults, start=start, days=days, seed=seed))
    frames = Frames(
        analogue=pl.concat([day.frames.analogue for day in made]),
        switches=pl.concat([day.frames.switches for day in made]),
        solenoids=pl.concat([day.frames.solenoids for day in made]),
    )
    return frames, Truth(pl.concat([day.truth.pulses for day in made]), made[0].truth.faults)
