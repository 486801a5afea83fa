"""What an export shows of each tag: its unit, its description, how it is recorded, its values."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.condition.declaration import sample_kind
from rowcall.errors import ExportError
from rowcall.site import Sample
from rowcall.site_file import ExportSettings
from rowcall.take_in.cells.time_formats import plain_pattern
from rowcall.take_in.cells.timestamps import Bounds
from rowcall.take_in.files.inbox import exports_at
from rowcall.take_in.files.sources import Source, sources_in
from rowcall.take_in.load.entries import Entries
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.load.passes import Read, read_through, samples_of
from rowcall.take_in.load.sinks import InMemory
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.read.opening import Opened, open_export
from rowcall.take_in.sniff.layout import Layout

_REST_RATIO = 2.0  # chosen: between a step of the round (1) and a rest until the next cleaning
_MAX_NUMBERS = 9801  # rows of 99 compartments of 99
_UNIT_NAMES = frozenset(
    ("unit", "units", "uom", "eu", "engineering unit", "engineering units", "einheit")
)
_DESCRIPTION_NAMES = frozenset(
    ("description", "descriptor", "desc", "tag description", "beschreibung", "bezeichnung")
)


@dataclass(frozen=True, slots=True)
class TagFacts:
    """One tag of an export.

    Attributes:
        unit: the unit as the export writes it, or nothing.
        description: what the export says of it in words, or nothing.
        step_s: median time between points, nan with fewer than two.
        middle: median of the values, nan without numbers.
        spread: (95th - 5th percentile) / median of the values, nan where undefined.
        numbers: whole numbers that it steps through, rising; of a counter, those of its rows.
        is_bit: it shows 0 and 1 alone.
        time_us, value: its samples with a number, by time.
        equipment: whose tag it is by the equipment column of the export, or nothing.
    """

    name: str
    unit: str
    description: str
    sample: Sample
    step_s: float
    middle: float
    spread: float
    numbers: tuple[int, ...]
    is_bit: bool
    time_us: npt.NDArray[np.int64] = field(compare=False, repr=False)
    value: npt.NDArray[np.float64] = field(compare=False, repr=False)
    equipment: str = ""


@dataclass(frozen=True, slots=True)
class ExportFacts:
    """The tags of an export; `take_in` holds what the site file must settle, key to value."""

    tags: tuple[TagFacts, ...]
    take_in: Mapping[str, str]
    has_offset: bool


def export_facts(path: Path, known: ExportSettings) -> ExportFacts:
    """Read exports for a first look, before there is a site file.

    What a file leaves open is read in the likelier way, and named in `take_in` so that a
    person looks at it. Of a tag in several files the first one counts.

    Args:
        path: an export, or an archive, folder or pattern of them.
        known: what is known of exports already.

    Raises:
        ExportError: a file cannot be read.
    """
    tags: dict[str, TagFacts] = {}
    take_in: dict[str, str] = {}
    has_offset = True
    for file in exports_at(path):
        try:
            for source in sources_in(file, file.name, known.take_in.largest_unpacked):
                if source.problem:
                    raise ExportError(source.problem)
                found = _facts_of(source, known)
                tags = {tag.name: tag for tag in found.tags} | tags
                take_in |= found.take_in
                has_offset &= found.has_offset
        except OSError as error:
            raise ExportError(f"{file}: the export cannot be read ({error.strerror}).") from error
    return ExportFacts(tuple(tags.values()), take_in, has_offset)


def _facts_of(source: Source, known: ExportSettings) -> ExportFacts:
    with ThreadPoolExecutor(max_workers=2) as pool:
        opened = open_export(source, known.take_in, Memory(), pool)
        to = WithUnits(opened)
        read = read_through(opened, known.zone or ZoneInfo("UTC"), Bounds(), to, supposes=True)
    form, batch = read.layout.form, samples_of(read, to)
    if not len(batch):
        raise ExportError(f"{source.name}: no sample of it can be used; draft from another export.")
    open_points = {
        "form": ("time_format", plain_pattern(form)),
        "decimal": ("decimal", ","),
        "equipment": ("equipment_column", opened.names[read.layout.equipment or 0]),
    }
    equipment = _equipment_of(read)
    tags = tuple(
        _facts(
            name,
            (to.units.get(name, ""), to.descriptions.get(name, "")),
            batch.time_us[piece],
            batch.value[piece],
        )
        for name, piece in zip(batch.names, batch.slices(), strict=True)
    )
    tags = tuple(replace(tag, equipment=equipment.get(tag.name, "")) for tag in tags)
    kind = to.time_kind
    has_offset = kind.time_zone is not None if isinstance(kind, pl.Datetime) else form.has_offset
    return ExportFacts(tags, dict(open_points[part] for part in read.still_open), has_offset)


def _equipment_of(read: Read) -> dict[str, str]:
    """Return the piece of equipment of each tag, nothing where no column names them."""
    columns = list(read.layout.values.values())
    if read.layout.equipment is None:
        return {}
    ends = (f".{columns[n % len(columns)]}" for n in range(len(read.names)))
    return {tag: tag.removesuffix(end) for tag, end in zip(read.names, ends, strict=True)}


class WithUnits(InMemory):
    """Holds an export in memory, and beside it the unit of each tag and the type of its times.

    Units are from the units line or a column of a long export, descriptions from such a column.
    """

    def __init__(self, opened: Opened) -> None:
        self._opened = opened
        super().__init__()

    def clear(self) -> None:
        """Forget everything."""
        super().clear()
        values, units = self._opened.layout.values, self._opened.units
        self.units = {name: units[place] for place, name in values.items() if units and name}
        self.descriptions: dict[str, str] = {}
        self.time_kind: pl.DataType = pl.String()

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add a table's entries."""
        super().add(table, layout, entries)
        self.time_kind = table.frame[column(layout.time)].dtype
        if layout.equipment is not None and self._opened.units:
            for one in table.frame[column(layout.equipment)].cast(pl.String).unique().drop_nulls():
                tags = layout.tag_names([one.strip()])
                self.units |= zip(
                    tags, (self._opened.units[at] for at in layout.values), strict=True
                )
        self.units |= _texts_of_tags(table, layout, _UNIT_NAMES)
        self.descriptions |= _texts_of_tags(table, layout, _DESCRIPTION_NAMES)


def _texts_of_tags(table: Table, layout: Layout, names: Collection[str]) -> dict[str, str]:
    """Return what a column of a long export, found by its name, says of each tag."""
    places = [place for place, name in enumerate(table.names) if name.lower() in names]
    if layout.tag is None or not places:
        return {}
    columns = column(layout.tag), column(places[0])
    pairs = table.frame.select(columns).unique(maintain_order=True)
    return {str(tag).strip(): str(text or "").strip() for tag, text in pairs.iter_rows()}


def _facts(
    name: str,
    texts: tuple[str, str],
    time_us: npt.NDArray[np.int64],
    value: npt.NDArray[np.float64],
) -> TagFacts:
    spaces = np.diff(time_us)
    is_number = np.isfinite(value)
    kept = slice(None) if is_number.all() else is_number  # a view, where it can be
    finite = value[kept]
    step_us = float(np.median(spaces)) if len(spaces) else float("nan")
    low, middle, high = np.percentile(finite, [5, 50, 95]) if len(finite) else (np.nan,) * 3
    return TagFacts(
        name=name,
        unit=texts[0],
        description=texts[1],
        sample=sample_kind(spaces, step_us, finite),
        step_s=step_us / 1e6,
        middle=float(middle),
        spread=float((high - low) / middle) if middle else float("nan"),
        numbers=steps_through(time_us, value),
        is_bit=bool(len(finite)) and bool(np.isin(finite, (0, 1)).all()),
        time_us=time_us[kept],
        value=finite,
    )


def steps_through(
    time_us: npt.NDArray[np.int64], value: npt.NDArray[np.float64]
) -> tuple[int, ...]:
    """Return the whole numbers that a tag steps through, none for one of other values.

    A 0 that lasts much longer than the other numbers, or comes much less often, is where a counter
    rests.
    """
    if not len(value) or not np.all(value == np.round(value)):
        return ()
    begin = np.concatenate(([0], np.flatnonzero(np.diff(value)) + 1))
    lasted_us = np.diff(np.append(time_us[begin], time_us[-1]))
    shown, visits = np.unique(value[begin], return_counts=True)
    if shown.size > 1 and shown[0] == 0:
        zero = value[begin] == 0
        is_long = np.median(lasted_us[zero]) > _REST_RATIO * np.median(lasted_us[~zero])
        if is_long or _REST_RATIO * visits[0] < np.median(visits[1:]):
            shown = shown[1:]
    return tuple(int(number) for number in shown if number >= 0)[:_MAX_NUMBERS]
