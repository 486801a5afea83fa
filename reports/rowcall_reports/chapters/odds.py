"""What a row rule can find at all, by sampling, pulses and noise: trials counted beforehand.

The numbers lie beside this file; `tests/benchmarks/identifiability.py` computes them.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import polars as pl

from rowcall.diagnosis.row_evidence import row_evidence, share_interval
from rowcall.model import BaghouseDay, FactBook
from rowcall.site import Role, Sample
from rowcall_reports import wording
from rowcall_reports.row_marks import Place

DATA_FILE = Path(__file__).with_name("odds.toml")
_FINE_S = 1.0  # chosen: the sampling that is worth asking a historian for
_MAX_BEYOND = 1.5  # chosen: times the coarsest sampling of the trials that they still stand for
_MIN_PULSES = 20.0  # chosen: a row pulsed less often is not judged for that reason


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """Trials of one sampling period [s], pulses per row and day, and noise [share of span].

    found: of `Odds.headers` faulty rows, by rule; unjudged: of `Odds.healthy` healthy rows those
    that the rule could not judge; false: of them those that any rule found.
    """

    step_s: float
    pulses: int
    noise: float
    found: Mapping[str, int]
    unjudged: Mapping[str, int]
    false: int


@dataclass(frozen=True, slots=True)
class Odds:
    """All cells; `about` says how they were computed."""

    about: str
    headers: int
    healthy: int
    cells: tuple[Cell, ...]

    def near(self, step_s: float, pulses: float, noise: float) -> Cell:
        """Return the cell nearest on logarithmic scales."""

        def away(cell: Cell) -> float:
            pairs = ((step_s, cell.step_s), (pulses, cell.pulses), (noise, cell.noise))
            return sum(math.log(mine / its) ** 2 for mine, its in pairs)

        return min(self.cells, key=away)


@cache
def read_odds() -> Odds:
    """Return the trials that come with the package."""
    data = tomllib.loads(DATA_FILE.read_text(encoding="utf-8"))
    return Odds(**{**data, "cells": tuple(Cell(**line) for line in data["cells"])})


def quote(
    day: BaghouseDay,
    facts: FactBook,
    unjudged: Mapping[str, Sequence[Place]],
    faults: Mapping[str, str],
) -> str:
    """Return what trials say of row rules that could not judge, '' where they say nothing of it.

    Args:
        unjudged: by rule the rows that it could not judge and no other found faulty.
        faults: by rule what the trials planted for it.
    """
    known = read_odds().cells[0].found
    lines = [
        line
        for rule, fault in faults.items()
        if rule in known and (line := _line(day, facts, rule, fault, unjudged.get(rule, ())))
    ]
    if not lines:
        return ""
    odds = read_odds()
    how = f"Counted on {odds.headers} cases each, with the 95 % interval of the share. {odds.about}"
    return "\n".join([*(f"- {line}" for line in lines), "", wording.escape(how)])


def _line(day: BaghouseDay, facts: FactBook, rule: str, fault: str, places: Sequence[Place]) -> str:
    """One rule's line, by the middle one of the rows that were pulsed often enough."""
    pulses = {
        place: sent
        for place in places
        if (sent := row_evidence(facts, *place).sent) >= _MIN_PULSES
        and _is_like_trials(day, facts, place)
    }
    if not pulses:
        return ""
    place, sent = sorted(pulses.items(), key=lambda pair: pair[1])[len(pulses) // 2]
    step_s = _step_of(day, place[0])
    odds = read_odds()
    if step_s is None or step_s > _MAX_BEYOND * max(cell.step_s for cell in odds.cells):
        return ""
    noise = _noise_of(day, place[0])
    cell = odds.near(step_s, sent, noise or odds.cells[0].noise)
    line = f"With {_words(cell)}, {fault} is found in {_of(odds, cell, rule)} simulated cases"
    finer = odds.near(_FINE_S, sent, cell.noise)
    if cell.step_s > finer.step_s:
        line += f"; sampled every {finer.step_s:g} s, in {_of(odds, finer, rule)}"
    return f"{line}." if noise else f"{line} (noise assumed: this day's is not known)."


def _is_like_trials(day: BaghouseDay, facts: FactBook, place: Place) -> bool:
    """Return whether pulses are known to the instant and met at all phases by samples at intervals.

    So they are in the trials.
    """
    compartment, row = place
    thinned = any(
        tag.sample is Sample.THINNED
        for tag in day.baghouse.tag
        if tag.role is Role.HEADER_PRESSURE and tag.compartment in {None, compartment}
    )
    scanned = any(
        tag.sample is Sample.AT_INTERVALS
        for tag in day.baghouse.tag
        if tag.role in {Role.ROW_SOLENOID, Role.STEP_COUNTER}
        and tag.compartment in {None, compartment}
    )
    in_step = row_evidence(facts, compartment, row).in_step
    return not (thinned or scanned or in_step or compartment in day.inferred)


def _words(cell: Cell) -> str:
    return (
        f"header pressure sampled every {cell.step_s:g} s, {cell.pulses} pulses per row and day "
        f"and noise of {100 * cell.noise:g} % of span"
    )


def _of(odds: Odds, cell: Cell, rule: str) -> str:
    found = cell.found[rule]
    low, high = share_interval(found, odds.headers)
    return f"{found} of {odds.headers} ({100 * low:.0f}-{wording.percent(high)})"


def _step_of(day: BaghouseDay, compartment: int) -> float | None:
    """Time between points of the header's pressure [s]."""
    steps = [
        tag.step_s
        for tag in day.health
        if tag.role is Role.HEADER_PRESSURE
        and tag.compartment in {0, compartment}
        and math.isfinite(tag.step_s)
    ]
    return min(steps, default=None)


def _noise_of(day: BaghouseDay, compartment: int) -> float | None:
    """Noise of the header's pressure as a share of its transmitter's span, None if not known."""
    spans = [
        tag.outside_unit.to_inside(tag.span[1]) - tag.outside_unit.to_inside(tag.span[0])
        for tag in day.baghouse.tag
        if tag.role is Role.HEADER_PRESSURE
        and tag.compartment in {None, compartment}
        and tag.span is not None
    ]
    if day.pulses.is_empty() or not spans:
        return None
    noise = day.pulses.filter(pl.col("compartment") == compartment)["noise_pa"].median()
    return noise / spans[0] if isinstance(noise, float) and noise > 0 else None
