"""What the picture of stacked pulses shows of each faulty row, and of its peers.

A bin of the stack with few points says little, so neighbouring bins are drawn together until their
mean is known well enough; the peers are drawn together alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from rowcall.diagnosis.fact_book import fact_book

from rowcall.day_report import DayReport
from rowcall.model import BaghouseDay
from rowcall_reports import actions
from rowcall_reports.chapters import roll_call
from rowcall_reports.chapters.roll_call import RowMark

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_PANELS = 6  # chosen: two lines of three fit a page's width
_KNOWN_TO = 0.06  # chosen: standard error of a drawn mean, as a share of the usual drop
_MOST_DOTS = 28  # chosen: closer together they hide their bars
_FEWEST_PEERS = 3  # chosen: fewer make no band


@dataclass(frozen=True, slots=True)
class Panel:
    """One row as drawn; drops in % of gauge pressure, times in s since the fire.

    Attributes:
        since_s, drop, error: of the row's means, shape (n,).
        low, high: lowest and highest of its healthy peers there; nan without enough of them.
        usual: what its peers do together.
        close_s: when the peers' valves close; late_s: by how much later this one does, nan where
            that is not what was found.
    """

    compartment: int
    row: int
    mark: RowMark
    since_s: Floats
    drop: Floats
    error: Floats
    low: Floats
    high: Floats
    usual: Floats
    close_s: float
    late_s: float


def panels(report: DayReport, day: BaghouseDay) -> list[Panel]:
    """Return the rows with a finding that have a stack, the most urgent first, six at most."""
    if day.stacks.is_empty():
        return []
    out: dict[tuple[int, int], Panel] = {}
    faulty = {
        place for place, mark in roll_call.marks(day, report.findings).items() if mark.isupper()
    }
    for job in actions.jobs(report, day.baghouse.id):
        for finding in job.findings:
            subject, mark = finding.answer.subject, roll_call.mark_of(finding)
            place = (subject.compartment, subject.row)
            if mark is None or not subject.row or place in out:
                continue
            panel = _panel(day, place, mark, faulty)
            if panel is not None:
                out[place] = panel
    return list(out.values())[:MOST_PANELS]


def drawn_places(report: DayReport, day: BaghouseDay) -> frozenset[tuple[int, int]]:
    """Return the (compartment, row) that the picture shows."""
    return frozenset((panel.compartment, panel.row) for panel in panels(report, day))


def _panel(
    day: BaghouseDay, place: tuple[int, int], mark: RowMark, faulty: set[tuple[int, int]]
) -> Panel | None:
    compartment, row = place
    of_header = day.stacks.filter((pl.col("compartment") == compartment) & (pl.col("row") > 0))
    mine = of_header.filter(pl.col("row") == row).sort("since_s")
    if mine.is_empty():
        return None
    since, count, mean, usual = (
        mine[name].to_numpy() for name in ("since_s", "count", "mean", "usual")
    )
    point_error = float(mine["point_error"][0])
    group = _groups(since, count, point_error, float(usual.max()))
    peers = of_header.filter(~pl.col("row").is_in([r for c, r in faulty if c == compartment]))
    low, high = _band(peers, since, group)
    late = fact_book(day.facts).get((compartment, row, "late_s"), float("nan"))
    return Panel(
        compartment=compartment,
        row=row,
        mark=mark,
        since_s=_together(group, count, since),
        drop=100 * _together(group, count, mean),
        error=100 * point_error / np.sqrt(np.bincount(group, count)),
        low=100 * low,
        high=100 * high,
        usual=100 * _together(group, count, usual),
        close_s=float(mine["close_s"][0]),
        late_s=late if mark.rule == "row_closes_late" else float("nan"),
    )


def _groups(since_s: Floats, count: Floats, point_error: float, usual: float) -> Ints:
    """Number the bins by the mean they are drawn in: the next begins when one is known."""
    at = np.sqrt(since_s)
    least, begun = float(at[-1]) / _MOST_DOTS, float(at[0])
    enough = (point_error / max(_KNOWN_TO * usual, 1e-9)) ** 2
    number, held, out = 0, 0.0, []
    for place, points in zip(at.tolist(), count.tolist(), strict=True):
        if held >= enough and place - begun >= least:
            number, held, begun = number + 1, 0.0, place
        out.append(number)
        held += points
    group = np.array(out, np.int64)
    if held < enough and number:  # what is left over is too little for a mean of its own
        group[group == number] = number - 1
    return group


def _together(group: Ints, count: Floats, value: Floats) -> Floats:
    together: Floats = np.bincount(group, count * value) / np.bincount(group, count)
    return together


def _band(peers: pl.DataFrame, since_s: Floats, group: Ints) -> tuple[Floats, Floats]:
    """Lowest and highest mean of the peers in each group of bins."""
    n = int(group.max()) + 1
    place = {at: int(number) for at, number in zip(since_s.tolist(), group, strict=True)}
    means = []
    for _, peer in peers.group_by("row", maintain_order=True):
        total, size = np.zeros(n), np.zeros(n)
        for at, count, mean in peer.select("since_s", "count", "mean").iter_rows():
            if at in place:
                total[place[at]] += count * mean
                size[place[at]] += count
        means.append(np.divide(total, size, out=np.full(n, np.nan), where=size > 0))
    known = np.array(means).reshape(-1, n)
    enough = np.isfinite(known).sum(axis=0) >= _FEWEST_PEERS
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    low[enough] = np.nanmin(known[:, enough], axis=0)
    high[enough] = np.nanmax(known[:, enough], axis=0)
    return low, high
