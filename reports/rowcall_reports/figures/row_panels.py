"""What the picture of stacked pulses shows of each faulty row, and of its peers.

A bin of the stack with few points says little, so neighbouring bins are merged until their mean is
known well enough; the peers' bins are merged alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.model import Fact, Floats, RowMark
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import Place

Ints = npt.NDArray[np.int64]

MAX_PANELS = 6  # chosen: two lines of three fit a page's width
_KNOWN_TO = 0.06  # chosen: standard error of a drawn mean, as a share of the usual drop
_MAX_DOTS = 28  # chosen: closer together they hide their bars
_MIN_PEERS = 3  # chosen: fewer make no band


@dataclass(frozen=True, slots=True)
class Panel:
    """One row as drawn; drops in % of gauge pressure, times in seconds after the pulse.

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


def panels(baghouse: PreparedDay) -> list[Panel]:
    """Return what is drawn of the pictured rows, in their order."""
    return [_panel(baghouse, place, mark) for place, mark in pictured_rows(baghouse).items()]


def pictured_rows(baghouse: PreparedDay) -> Mapping[Place, RowMark]:
    """Return the rows with a finding that have a stack, the most urgent first, six at most."""
    stacks = baghouse.day.stacks
    if stacks.is_empty():
        return {}
    stacked = set(stacks.select("compartment", "row").unique().iter_rows())
    found: dict[Place, RowMark] = {}
    for job in baghouse.jobs:
        for finding in job.findings:
            place = (finding.answer.subject.compartment, finding.answer.subject.row)
            if job.mark is not None and place[1] and place in stacked:
                found.setdefault(place, job.mark)
    return dict(islice(found.items(), MAX_PANELS))


def _panel(baghouse: PreparedDay, place: Place, mark: RowMark) -> Panel:
    compartment, row = place
    of_header = baghouse.day.stacks.filter(
        (pl.col("compartment") == compartment) & (pl.col("row") > 0)
    )
    mine = of_header.filter(pl.col("row") == row).sort("since_s")
    since, count, mean, usual = (
        mine[name].to_numpy() for name in ("since_s", "count", "mean", "usual")
    )
    point_error = float(mine["point_error"][0])
    group = _groups(since, count, point_error, float(usual.max()))
    faulty = [r for c, r in baghouse.found_rows if c == compartment]
    peers = of_header.filter(~pl.col("row").is_in(faulty))
    low, high = _band(peers, since, group)
    late = baghouse.facts.of(Fact.LATE_S, compartment, row)
    return Panel(
        compartment=compartment,
        row=row,
        mark=mark,
        since_s=_merged(group, count, since),
        drop=100 * _merged(group, count, mean),
        error=100 * point_error / np.sqrt(np.bincount(group, count)),
        low=100 * low,
        high=100 * high,
        usual=100 * _merged(group, count, usual),
        close_s=float(mine["close_s"][0]),
        late_s=late if mark.shows_lateness else float("nan"),
    )


def _groups(since_s: Floats, count: Floats, point_error: float, usual: float) -> Ints:
    """Number the bins by the mean they are merged into: the next begins when one is known."""
    at = np.sqrt(since_s)
    apart, begun = float(at[-1]) / _MAX_DOTS, float(at[0])
    enough = (point_error / max(_KNOWN_TO * usual, 1e-9)) ** 2
    number, held, out = 0, 0.0, []
    for place, points in zip(at.tolist(), count.tolist(), strict=True):
        if held >= enough and place - begun >= apart:
            number, held, begun = number + 1, 0.0, place
        out.append(number)
        held += points
    group = np.array(out, np.int64)
    if held < enough and number:  # what is left over is too little for a mean of its own
        group[group == number] = number - 1
    return group


def _merged(group: Ints, count: Floats, value: Floats) -> Floats:
    merged: Floats = np.bincount(group, count * value) / np.bincount(group, count)
    return merged


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
    enough = np.isfinite(known).sum(axis=0) >= _MIN_PEERS
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    low[enough] = np.nanmin(known[:, enough], axis=0, initial=np.inf)
    high[enough] = np.nanmax(known[:, enough], axis=0, initial=-np.inf)
    return low, high
