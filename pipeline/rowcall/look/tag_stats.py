"""What is known of an export: how it is written, its tags, and what of it cannot be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np
import polars as pl

from rowcall.condition.declaration import sample_kind
from rowcall.site import Sample
from rowcall.store.batch import Batch
from rowcall.store.samples import BAD, UNCERTAIN, from_epoch_us
from rowcall.take_in.cells.overrides import SiteValue


@dataclass(frozen=True, slots=True)
class TagLook:
    """One tag: points, spacing [s] (nan with fewer than two), kind, quality and range."""

    name: str
    unit: str
    points: int
    step_s: float
    longest_gap_s: float
    sample: Sample
    bad: int
    uncertain: int
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class Aside:
    """Rows that would be set aside for one reason, and the first line of them."""

    reason: str
    rows: int
    first_line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What take-in understands of one export.

    Attributes:
        written: how it is written, as pairs of a heading and a plain sentence.
        zone: the zone in which the plant reads wall time; None where the export needs one and
            none is known.
        rows_read: rows of the long layout, filled cells of the wide one.
        samples: what would be stored, were the store empty.
        jumps: the number of lines before which the time runs back, and the first of them.
        overrides: what the site file's `[take_in]` would hold to settle all of this.
    """

    name: str
    written: tuple[tuple[str, str], ...]
    zone: tzinfo | None
    rows_read: int
    samples: int
    first: datetime | None
    last: datetime | None
    jumps: tuple[int, int]
    tags: tuple[TagLook, ...]
    aside: tuple[Aside, ...]
    status_words: tuple[tuple[str, int], ...]
    overrides: tuple[tuple[str, SiteValue], ...]


def tag_looks(batch: Batch, units: dict[str, str]) -> tuple[TagLook, ...]:
    """Return what the samples show of each tag."""
    return tuple(
        _tag_look(batch, name, piece, units.get(name, ""))
        for name, piece in zip(batch.names, batch.slices(), strict=True)
    )


def _tag_look(batch: Batch, name: str, piece: slice, unit: str) -> TagLook:
    value, quality = batch.value[piece], batch.quality[piece]
    finite = value[np.isfinite(value)]
    spaces = np.diff(batch.time_us[piece])
    step_us = float(np.median(spaces)) if len(spaces) else float("nan")
    return TagLook(
        name=name,
        unit=unit,
        points=len(value),
        step_s=step_us / 1e6,
        longest_gap_s=float(spaces.max()) / 1e6 if len(spaces) else float("nan"),
        sample=sample_kind(spaces, step_us, finite),
        bad=int((quality == BAD).sum()),
        uncertain=int((quality == UNCERTAIN).sum()),
        lowest=float(finite.min()) if len(finite) else float("nan"),
        highest=float(finite.max()) if len(finite) else float("nan"),
    )


def asides(set_aside: pl.DataFrame) -> tuple[Aside, ...]:
    """Return the reasons for which rows would be set aside, the most frequent first."""
    counts = (
        set_aside.group_by("reason")
        .agg(pl.len().alias("rows"), pl.col("line").min().alias("first_line"))
        .sort("rows", "reason", descending=[True, False])
    )
    return tuple(Aside(*row) for row in counts.select("reason", "rows", "first_line").iter_rows())


def span(batch: Batch) -> tuple[datetime | None, datetime | None]:
    """Return the first and the last instant of all samples."""
    if not len(batch):
        return None, None
    return from_epoch_us(batch.time_us.min()), from_epoch_us(batch.time_us.max())
