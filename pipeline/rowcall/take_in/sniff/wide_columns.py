"""The columns of the wide layout: tags, the qualities that belong to them, and what is neither."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import edit, listed, plain
from rowcall.take_in.cells.quality_codes import is_told
from rowcall.take_in.cells.time_formats import is_clock, is_date, time_form
from rowcall.take_in.sniff.column_words import QUALITY_WORDS, Columns, Rows

_GAPS = " ._:/-([])"  # between a tag and the word for its quality, or around that word
_LONGEST_FIRST = sorted(QUALITY_WORDS, key=len, reverse=True)
_WORD = "(?:" + "|".join(word.replace(" ", "[ ._/-]") for word in _LONGEST_FIRST) + ")"
_WORD_BEHIND = re.compile(rf"{_WORD}[ :)\]]*$")
_WORD_BEFORE = re.compile(rf"^{_WORD}(?=[ ._:/(\[-])")


def wide_columns(
    file: str,
    names: Sequence[str],
    sample: Rows,
    times: Collection[int],
    typed: Collection[int],
) -> Columns:
    """Return the columns: each with a name is a tag, the quality of one, or left out.

    Left out are columns of further times, as of when a row was written, and of a second quality,
    and row numbers in a first column without a name.

    Raises:
        ExportError: a column has no name, or a tag two columns; says what settles it.
    """
    numbered = _row_numbers(names, sample)
    _check_named(file, names, sample, {*times, *numbered})
    out = {
        place
        for place in range(len(names))
        if place in numbered
        or place in times
        or place in typed
        or _holds_times([row[place] for row in sample])
    }
    owners = _owners(names, sample, out)
    values = {
        place: name
        for place, name in enumerate(names)
        if place not in out and place not in owners and name
    }
    double = sorted(name for name, count in Counter(values.values()).items() if count > 1)
    if double:
        raise ExportError(
            f"{file}: the columns {listed(double)} occur more than once; export each tag in one "
            "column, or name all columns in the site file: "
            f"{edit('column_names', _told_names(names))}."
        )
    if not values:
        raise ExportError(f"{file}: there is no column besides the time; export it again.")
    # Of two qualities of a tag the first counts.
    return Columns(None, values, {owner: place for place, owner in reversed(owners.items())})


def _row_numbers(names: Sequence[str], sample: Rows) -> list[int]:
    """Return the first column where it has no name and numbers the rows, as of a data frame."""
    cells = [row[0].strip() for row in sample]
    first = int(cells[0]) if cells and not names[0] and cells[0].isdecimal() else -1
    return [0] if first >= 0 and cells == [str(first + n) for n in range(len(cells))] else []


def _check_named(file: str, names: Sequence[str], sample: Rows, but: Collection[int]) -> None:
    for place, name in enumerate(names):
        if not name and place not in but and any(row[place].strip() for row in sample):
            raise ExportError(
                f"{file}: column {place + 1} holds values but has no name; export the file with "
                "the tag in the header line of each column, or name all columns in the site file: "
                f"{edit('column_names', _told_names(names))}."
            )


def _owners(names: Sequence[str], sample: Rows, out: Collection[int]) -> dict[int, int]:
    """Return for each column of a quality that of its tag: known by its name, place or cells."""
    known = {name.casefold(): place for place, name in enumerate(names) if place not in out}
    owners: dict[int, int] = {}
    for place, name in enumerate(names):
        if place in out:
            continue
        owner = _owner(name.casefold(), known)
        if owner is None and plain(name) in QUALITY_WORDS and place - 1 not in (-1, *out):
            owner = owners.get(place - 1, place - 1)
        if owner is None and is_told(row[place] for row in sample):
            owner = _base(name.casefold(), known)
        if owner is not None and owner != place:
            owners[place] = owner
    return owners


def _owner(name: str, known: Mapping[str, int]) -> int | None:
    """Return the column whose name is in this one, beside a word for quality."""
    if found := _WORD_BEHIND.search(name):
        base = name[: found.start()]
        while base and base not in known and base[-1] in _GAPS:
            base = base[:-1]
        if base in known:
            return known[base]
    if found := _WORD_BEFORE.search(name):
        base = name[found.end() :]
        return known.get(base.strip(), known.get(base.strip(_GAPS)))
    return None


def _base(name: str, known: Mapping[str, int]) -> int | None:
    """Return the column with whose name this one begins, up to a gap; the longest of such."""
    bases = [name[:at] for at, sign in enumerate(name) if sign in _GAPS and name[:at] in known]
    return known[bases[-1]] if bases else None


def _holds_times(cells: Sequence[str]) -> bool:
    """True where most of the cells are instants, dates or times of day, and no numbers."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    found = [cell for cell in filled if not cell.isdigit() and _is_time(cell)]
    return 2 * len(found) > len(filled)


def _is_time(cell: str) -> bool:
    form = time_form(cell)
    return is_date(cell) or is_clock(cell) or (form is not None and not form.epoch)


def _told_names(names: Sequence[str]) -> list[str]:
    """Return the names with those that are empty or occur again distinguished by their place."""
    return [
        name if name and name not in names[:place] else f"{name or 'column'} {place + 1}"
        for place, name in enumerate(names)
    ]
