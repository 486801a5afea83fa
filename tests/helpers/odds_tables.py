"""The trials that reports quote, as the tables of `tests/benchmarks/RESULTS.md`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rowcall_reports import wording
from rowcall_reports.chapters.odds import Cell, Odds


def as_tables(odds: Odds) -> str:
    """Return all cells as two Markdown tables: faults found, and healthy rows not judged, in %."""
    found = {cell: [100 * n / odds.headers for n in cell.found.values()] for cell in odds.cells}
    unjudged = {
        cell: [100 * n / odds.healthy for n in cell.unjudged.values()] for cell in odds.cells
    }
    return "\n\n".join(_table(*both) for both in (("Found", found), ("Not judged", unjudged)))


def _table(title: str, shares: Mapping[Cell, Sequence[float]]) -> str:
    pulses = sorted({cell.pulses for cell in shares})
    kinds = sorted({(cell.step_s, cell.noise) for cell in shares})
    written = {
        (cell.step_s, cell.noise, cell.pulses): " / ".join(f"{share:.0f}" for share in by_rule)
        for cell, by_rule in shares.items()
    }
    head = [f"{title}: sampled every", "Noise", *(f"{n} pulses" for n in pulses)]
    lines = [
        [f"{step_s:g} s", f"{100 * noise:g} %", *(written[step_s, noise, n] for n in pulses)]
        for step_s, noise in kinds
    ]
    return wording.table(head, lines, right=range(len(head)))
