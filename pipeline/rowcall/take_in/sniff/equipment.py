"""Which column of a wide export names the piece of equipment of each row, by all of its rows.

There the same instants come again for each piece, and with its name none does. Judged are all rows
of a share of the instants, drawn by their hash: the same ones however the export is cut.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

import polars as pl

from rowcall.take_in.cells.numbers import Cell, values_of
from rowcall.take_in.read.cell_table import column
from rowcall.take_in.sniff.column_words import Rows

# A small whole number but 0, which is a state or the begin of a minute, or a text with letters.
_NAME = re.compile(r"(?=\d{1,3}$)0*[1-9]\d*|(?=.*[^\W\d]).+")
_MAX_NAMES = 100  # chosen: far more baghouses than a plant has, far fewer values than a measurement
_MAX_ROWS = 5_000  # kept of an export; chosen: shares come out to a hundredth, and cost little
_MAX_LEVEL = 60  # of a hash of 64 bits
# Of the instants, those with several rows, and those at which each name occurs: chosen, so that
# pieces which do not always run are recognised, and a few rows that came twice are not. Of the
# instants with several rows, those at which a text differs.
_MIN_SHARE = 0.5
_MIN_FITTING = 0.95  # of instants and names, those of names that are there all along. Chosen.
# Of the instants, those with each name once. Autumn repeats an hour, of a short export perhaps
# half: then all others have each name twice. Chosen.
_MIN_SINGLE = 0.75
_MIN_INSTANTS = 2
_MAX_DAMAGED = 1  # line, however few there are; chosen


def likely_equipment(
    sample: Rows, values: Mapping[int, str], owners: Collection[int]
) -> tuple[int, ...]:
    """Return the value columns that may name equipment, by the first rows.

    Args:
        owners: value columns that have a quality, which a name has not.
    """
    return tuple(
        place
        for place in values
        if len(values) > 1
        and place not in owners
        and _are_nearly_all([_is_name(cell) for row in sample if (cell := row[place].strip())])
    )


def _are_nearly_all(is_fitting: Sequence[bool]) -> bool:
    """True where all but one, or a few of very many, fit: a line may be damaged."""
    n_others = is_fitting.count(False)
    return n_others <= _MAX_DAMAGED or n_others <= (1 - _MIN_FITTING) * len(is_fitting)


def _is_name(cell: str) -> bool:
    if not _NAME.fullmatch(cell):
        return False
    try:
        return float(cell) >= 0 and cell.isdecimal()
    except ValueError:
        return True


class SameInstants:
    """The rows of a share of the instants, with their cells that may name equipment."""

    def __init__(self, places: Sequence[int]) -> None:
        self._places, self._level = places, 0
        names = [column(place) for place in places]
        schema = {"instant": pl.UInt64, **dict.fromkeys(names, pl.String)}
        self._kept = pl.DataFrame(schema=schema)

    def look(self, times: pl.Series, frame: pl.DataFrame) -> None:
        """Look at a table and its cells of time."""
        if not self._places:
            return
        instants = times.hash().alias("instant").to_frame().with_row_index("row")
        if times.dtype == pl.String:
            instants = instants.filter(times.str.strip_chars() != "")
        while self._kept.height + self._of_level(instants).height > _MAX_ROWS:
            self._level += 1
            self._kept = self._of_level(self._kept)
            if self._level == _MAX_LEVEL:
                break
        rows = self._of_level(instants)
        cells = frame.select(column(place) for place in self._places)[rows["row"]].select(
            pl.all().cast(pl.String).fill_null("").str.strip_chars()
        )
        self._kept = pl.concat([self._kept, rows.select("instant").hstack(cells)])

    def _of_level(self, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("instant") % 2**self._level == 0) if self._level else rows

    def named_by(self) -> tuple[list[int], bool]:
        """Return the columns that may name the equipment, and whether an only one surely does.

        Numbers count only where no text tells the rows apart: they may be values that stay. Texts
        that differ at most instants with several rows, but not as names would, may be names.
        """
        if not self._places:
            return [], False
        rows_each = self._kept.group_by("instant").len()
        several = rows_each.filter(pl.col("len") > 1)["instant"]
        n_instants = rows_each.height
        if n_instants < _MIN_INSTANTS or len(several) <= (1 - _MIN_FITTING) * n_instants:
            return [], False
        texts = [place for place in self._places if not self._has_numbers(column(place))]
        if len(several) >= _MIN_SHARE * n_instants:
            found = [one for one in self._places if self._separates(column(one), n_instants)]
            found = [one for one in found if one in texts] or found
            if found:
                return found, len(found) == 1
        return [one for one in texts if self._differs(column(one), several)], False

    def _has_numbers(self, name: str) -> bool:
        return bool(self._kept[name].str.contains(r"^\d+$").any())

    def _separates(self, name: str, n_instants: int) -> bool:
        pairs = self._kept.group_by("instant", name).len()
        named = pairs.filter(pl.col(name) != "")
        each = named.group_by("instant").agg(low=pl.min("len"), high=pl.max("len"))
        n_single = int((each["high"] == 1).sum())
        n_whole = n_single + int(((each["low"] == 2) & (each["high"] == 2)).sum())
        counts = named[name].value_counts()
        along = counts.filter(pl.col("count") >= _MIN_SHARE * n_instants)
        return (
            (
                n_single >= _MIN_SINGLE * n_instants
                or (min(n_single / _MIN_SHARE, n_whole / _MIN_FITTING) >= n_instants)
            )
            and 1 < along.height <= counts.height <= _MAX_NAMES
            and pairs.height - along["count"].sum()
            <= max(_MAX_DAMAGED, (1 - _MIN_FITTING) * pairs.height)
            and _are_names(along[name])
        )

    def _differs(self, name: str, several: pl.Series) -> bool:
        rows = self._kept.filter(pl.col("instant").is_in(several.implode()))
        differ = rows.group_by("instant").agg(pl.col(name).n_unique() > 1)[name]
        texts = self._kept[name].unique()
        is_few = len(texts) <= _MAX_NAMES
        return is_few and differ.sum() > _MIN_SHARE * len(several) and _are_names(texts)


def _are_names(cells: pl.Series) -> bool:
    """True where all texts are names, and none is a state or another word in place of a value."""
    (read,) = values_of([cells], [cells.cast(pl.Float64, strict=False)], ".")
    kinds = zip(cells, read.kind.tolist(), strict=True)
    return all(
        _is_name(cell) and (cell.isdecimal() or kind == Cell.OTHER) for cell, kind in kinds if cell
    )
