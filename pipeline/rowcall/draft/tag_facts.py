"""What an export's samples show of each tag: how it is recorded, its unit, its spread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.site import Sample, TakeIn
from rowcall.take_in.cells.time_formats import plain_pattern
from rowcall.take_in.cells.timestamps import settle_order
from rowcall.take_in.files.inbox import exports_at
from rowcall.take_in.files.sources import pieces_of
from rowcall.take_in.load.assemble import Assembled, assemble
from rowcall.take_in.read.cell_table import column
from rowcall.take_in.read.opening import Opened, open_export

_EVEN_SHARE = 0.9  # chosen: of the times between points are the usual one; some points get lost
_UNIT_NAMES = frozenset(("unit", "units", "uom", "eu", "engineering unit", "engineering units"))


@dataclass(frozen=True, slots=True)
class TagFacts:
    """One tag of an export.

    Attributes:
        unit: the unit as the export writes it, or nothing.
        step_s: median time between points, nan with fewer than two.
        middle: median of the values, nan without numbers.
        spread: (95th - 5th percentile) / median of the values, nan where undefined.
        highest: largest value, nan without numbers.
    """

    name: str
    unit: str
    sample: Sample
    step_s: float
    middle: float
    spread: float
    highest: float


@dataclass(frozen=True, slots=True)
class ExportFacts:
    """The tags of an export; `take_in` holds what the site file must settle, key to value."""

    tags: tuple[TagFacts, ...]
    take_in: Mapping[str, str]
    has_offset: bool


def export_facts(path: Path) -> ExportFacts:
    """Read exports for a first look, before there is a site file.

    What a file leaves open is read in the likelier way, and named in `take_in` so that a
    person looks at it. Of a tag in several files the first one counts.

    Args:
        path: an export, or an archive, folder or pattern of them.

    Raises:
        ExportError: a file cannot be read.
    """
    found: list[ExportFacts] = []
    for file in exports_at(path):
        try:
            for piece in pieces_of(file, file.name, TakeIn().largest_unpacked):
                if piece.problem:
                    raise ExportError(piece.problem)
                with piece.open() as stream:
                    found.append(_facts_of(Path(piece.name), stream.read()))
        except OSError as error:
            raise ExportError(f"{file}: the export cannot be read ({error.strerror}).") from error
    tags: dict[str, TagFacts] = {}
    for one in found:
        tags = {tag.name: tag for tag in one.tags} | tags
    take_in = {key: value for one in found for key, value in one.take_in.items()}
    return ExportFacts(tuple(tags.values()), take_in, all(one.has_offset for one in found))


def _facts_of(path: Path, raw: bytes) -> ExportFacts:
    opened = open_export(path, raw, TakeIn())
    open_points: dict[str, str] = {}
    layout = opened.layout
    try:
        form = settle_order(layout.time_cells(opened.table.frame), layout.form, path.name)
    except ExportError:
        form = replace(layout.form, order_open=False)
        open_points["time_format"] = plain_pattern(form)
    opened = replace(opened, layout=replace(layout, form=form))
    try:
        assembled = _assembled(path, opened, None)
    except ExportError:
        assembled = _assembled(path, opened, ",")
        open_points["decimal"] = ","
    if not len(assembled.batch):
        raise ExportError(f"{path.name}: no sample of it can be used; draft from another export.")
    units = units_of(opened)
    batch = assembled.batch
    tags = tuple(
        _facts(name, units.get(name, ""), batch.time_us[piece], batch.value[piece])
        for name, piece in zip(batch.names, batch.slices(), strict=True)
    )
    kind = opened.table.frame[column(layout.time)].dtype
    has_offset = kind.time_zone is not None if isinstance(kind, pl.Datetime) else form.has_offset
    return ExportFacts(tags, open_points, has_offset)


def _assembled(path: Path, opened: Opened, decimal: str | None) -> Assembled:
    return assemble(path.name, opened.table, opened.layout, ZoneInfo("UTC"), decimal)


def units_of(opened: Opened) -> dict[str, str]:
    """Return the unit of each tag: from the units line, or a column of units in a long export."""
    table, layout = opened.table, opened.layout
    if layout.tag is None:
        return {name: opened.units[place] for place, name in layout.values.items() if opened.units}
    places = [place for place, name in enumerate(table.names) if name.lower() in _UNIT_NAMES]
    if not places:
        return {}
    pairs = table.frame.select(column(layout.tag), column(places[0])).unique(maintain_order=True)
    return {str(tag).strip(): str(unit or "").strip() for tag, unit in pairs.iter_rows()}


def _facts(
    name: str, unit: str, time_us: npt.NDArray[np.int64], value: npt.NDArray[np.float64]
) -> TagFacts:
    spaces = np.diff(time_us)
    finite = value[np.isfinite(value)]
    step_us = float(np.median(spaces)) if len(spaces) else float("nan")
    low, middle, high = np.percentile(finite, [5, 50, 95]) if len(finite) else (np.nan,) * 3
    return TagFacts(
        name=name,
        unit=unit,
        sample=sample_kind(spaces, step_us, finite),
        step_s=step_us / 1e6,
        middle=float(middle),
        spread=float((high - low) / middle) if middle else float("nan"),
        highest=float(finite.max()) if len(finite) else float("nan"),
    )


def sample_kind(
    spaces: npt.NDArray[np.int64], step_us: float, value: npt.NDArray[np.float64]
) -> Sample:
    """Return how a tag is recorded: even spacing, else few whole numbers, else thinned."""
    if len(spaces) > 1 and np.mean(np.abs(spaces - step_us) <= 0.05 * step_us) >= _EVEN_SHARE:
        return Sample.AT_INTERVALS
    if np.all(value == np.round(value)) and len(np.unique(value)) <= 100:
        return Sample.ON_CHANGE
    return Sample.THINNED
