"""What a row rule can tell at all, by sampling, pulses and noise: trials counted beforehand.

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
from rowcall.diagnosis.fact_book import fact_book

from rowcall.diagnosis.row_evidence import row_evidence, share_interval
from rowcall.model import BaghouseDay
from rowcall.site import Role, Sample
from rowcall_reports import fact_lookup, wording

DATA_FILE = Path(__file__).with_name("odds.toml")
FAULTS: Mapping[str, str] = {  # rule: what was planted
    "row_silent": "a silent row",
    "row_weak": "a faint row (60 % of the usual drop)",
    "row_closes_late": "a row that closes 0.4 s late",
}
_FINE_S = 1.0  # chosen: the sampling that is worth asking a historian for
_FEWEST = 20.0  # chosen: pulses; a row fired less often is not told for that reason


@dataclass(frozen=True, slots=True, eq=False)
class Cell:
    """Trials of one sampling period [s], pulses a row and day, and noise [share of span].

    found: of `Odds.headers` faulty rows, by rule; untold: of `Odds.healthy` healthy rows those of
    which the rule could not tell; false: of them those that any rule found.
    """

    step_s: float
    pulses: int
    noise: float
    found: Mapping[str, int]
    untold: Mapping[str, int]
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
    return Odds(
        about=data["about"],
        headers=data["headers"],
        healthy=data["healthy"],
        cells=tuple(_cell(line) for line in data["cells"]),
    )


def _cell(line: Mapping[str, float]) -> Cell:
    return Cell(
        step_s=line["step_s"],
        pulses=int(line["pulses"]),
        noise=line["noise"],
        found={rule: int(line[f"found_{rule}"]) for rule in FAULTS},
        untold={rule: int(line[f"untold_{rule}"]) for rule in FAULTS},
        false=int(line["false"]),
    )


def quote(day: BaghouseDay, untold: Mapping[str, Sequence[tuple[int, int]]]) -> str:
    """Return what trials say of row rules that could not tell, '' where they say nothing of it.

    Args:
        untold: by rule the (compartment, row) that it could not judge and no other found faulty.
    """
    lines = [line for rule, places in untold.items() if (line := _line(day, rule, places))]
    if not lines:
        return ""
    odds = read_odds()
    how = f"Counted on {odds.headers} cases each, with the 95 % interval of the share. {odds.about}"
    return "\n".join([*(f"- {line}" for line in lines), "", wording.escape(how)])


def _line(day: BaghouseDay, rule: str, places: Sequence[tuple[int, int]]) -> str:
    """One rule's line, by the middle one of the rows that were fired often enough."""
    values, book = fact_lookup.today(day), fact_book(day.facts)
    pulses = {
        place: called
        for place in places
        if (called := row_evidence(book, *place).called) >= _FEWEST
        and _is_like_trials(day, place[0], values)
    }
    if rule not in FAULTS or not pulses:
        return ""
    place, called = sorted(pulses.items(), key=lambda pair: pair[1])[len(pulses) // 2]
    step_s = _step_of(day, place[0])
    if step_s is None:
        return ""
    noise = _noise_of(day, place[0])
    odds = read_odds()
    cell = odds.near(step_s, called, noise or odds.cells[0].noise)
    told = (
        f"With {_words(cell)}, {FAULTS[rule]} is found in {_of(odds, cell, rule)} simulated cases"
    )
    finer = odds.near(_FINE_S, called, cell.noise)
    if cell.step_s > finer.step_s:
        told += f"; with a point every {finer.step_s:g} s, in {_of(odds, finer, rule)}"
    return f"{told}."


def _is_like_trials(day: BaghouseDay, compartment: int, values: fact_lookup.Facts) -> bool:
    """Tell whether fires are known to the instant and met at all phases, as in the trials."""
    scanned = any(
        tag.sample is Sample.SNAPSHOT
        for tag in day.baghouse.tag
        if tag.role in {Role.ROW_SOLENOID, Role.STEP_COUNTER}
        and tag.compartment in {None, compartment}
    )
    in_step = any(("in_step", place, 0) in values for place in (0, compartment))
    return not (scanned or in_step or compartment in day.inferred)


def _words(cell: Cell) -> str:
    return (
        f"a point every {cell.step_s:g} s, {cell.pulses} pulses a row and day and noise of "
        f"{100 * cell.noise:g} % of span"
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


def as_tables(odds: Odds) -> str:
    """Return all cells as two Markdown tables: faults found, and healthy rows not told, in %."""
    found = {
        cell: [100 * cell.found[rule] / odds.headers for rule in FAULTS] for cell in odds.cells
    }
    untold = {
        cell: [100 * cell.untold[rule] / odds.healthy for rule in FAULTS] for cell in odds.cells
    }
    return "\n\n".join(_table(*both) for both in (("Found", found), ("Not told", untold)))


def _table(title: str, shares: Mapping[Cell, Sequence[float]]) -> str:
    pulses = sorted({cell.pulses for cell in shares})
    kinds = sorted({(cell.step_s, cell.noise) for cell in shares})
    written = {
        (cell.step_s, cell.noise, cell.pulses): " / ".join(f"{share:.0f}" for share in of)
        for cell, of in shares.items()
    }
    head = [f"{title}: a point every", "Noise", *(f"{n} pulses" for n in pulses)]
    lines = [
        [f"{step_s:g} s", f"{100 * noise:g} %", *(written[step_s, noise, n] for n in pulses)]
        for step_s, noise in kinds
    ]
    return wording.table(head, lines, right=range(len(head)))
