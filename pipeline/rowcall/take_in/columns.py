"""Which column of an export is what, besides its times: long or wide, tags, values, qualities."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.pins import edit, listed, pinned_place, plain, shown

Rows = Sequence[Sequence[str]]


def _words(text: str) -> frozenset[str]:
    return frozenset(word.strip() for word in text.split(","))


# Plain words for the columns of the long layout; compared after `plain`.
TAG_WORDS = _words(
    "tag, tagname, tag name, tag id, name, point, point name, point id, signal, signal name, "
    "signal id, channel"
)
VALUE_WORDS = _words("value, val, reading, measurement, sample value")
QUALITY_WORDS = _words("quality, quality code, status, status code, validity")


@dataclass(frozen=True, slots=True)
class Columns:
    """Places (0-based) of tag column (long layout), value columns and their quality columns.

    `values` names the tag of each value column; in the long layout there is one, with an empty tag.
    """

    tag: int | None
    values: Mapping[int, str]
    quality: Mapping[int, int] = field(default_factory=dict)


def find_columns(
    file: str, names: Sequence[str], sample: Rows, times: Collection[int], pins: TakeIn
) -> Columns:
    """Find the columns; raises as `find_layout`, whose arguments are these.

    Args:
        times: places of the columns that hold the times.
    """
    others = [place for place in range(len(names)) if place not in times]
    tag, value, quality = (
        pinned_place(file, names, name, f"{role}_column", _likely(names, sample, others, role))
        for role, name in (
            ("tag", pins.tag_column),
            ("value", pins.value_column),
            ("quality", pins.quality_column),
        )
    )
    if pins.layout == "wide":
        _check_wide(file, names, sample, others)
        return _wide(file, names, sample, times)
    tag = _by_word(file, names, others, TAG_WORDS, "tag_column") if tag is None else tag
    value = _by_word(file, names, others, VALUE_WORDS, "value_column") if value is None else value
    _check_apart(file, names, sample, times, {"tag": tag, "value": value, "quality": quality})
    if tag is not None and value is not None:
        if quality is None:
            quality = _by_word(file, names, others, QUALITY_WORDS, "quality_column")
        return Columns(tag, {value: ""}, {} if quality is None else {value: quality})
    if tag is None and value is None and pins.layout is None:
        return _wide(file, names, sample, times)
    raise ExportError(_no_long(file, names, sample, others, (tag, value), pins))


def _check_apart(
    file: str,
    names: Sequence[str],
    sample: Rows,
    times: Collection[int],
    roles: Mapping[str, int | None],
) -> None:
    """Refuse a column in two roles, which only the site file can bring about."""
    taken = dict.fromkeys(times, "time")
    for role, place in roles.items():
        if place is None:
            continue
        if place in taken:
            free = [other for other in range(len(names)) if other not in (*times, *taken)]
            guess = next(iter(_likely(names, sample, free, role) or free), None)
            advice = (
                "correct it" if guess is None else f"set {edit(f'{role}_column', names[guess])}"
            )
            raise ExportError(
                f"{file}: {edit(f'{role}_column', names[place])} in the site file, but that is the "
                f"{taken[place]} column already; {advice}."
            )
        taken[place] = role


def _check_wide(file: str, names: Sequence[str], sample: Rows, places: Sequence[int]) -> None:
    """Refuse a long export where the site file says that all are wide."""
    tags = [place for place in _texts(sample, places) if plain(names[place]) in TAG_WORDS]
    if tags and any(plain(names[place]) in VALUE_WORDS for place in places):
        raise ExportError(
            f"{file}: {edit('layout', 'wide')} in the site file, but the columns are "
            f"{listed(names)}, with the tags in {shown(names[tags[0]])}; "
            f"set {edit('layout', 'long')}."
        )


def _no_long(
    file: str,
    names: Sequence[str],
    sample: Rows,
    others: Sequence[int],
    found: tuple[int | None, int | None],
    pins: TakeIn,
) -> str:
    """Say which column of the long layout is not told, and what would tell it."""
    missing, kind = ("value", _numbers) if found[0] is not None else ("tag", _texts)
    free = [place for place in others if place not in found]
    likely = [names[place] for place in kind(sample, free)]
    advice = [f"name it as take_in.{missing}_column in the site file"]
    if likely:
        advice[0] += f", such as {edit(f'{missing}_column', likely[0])}"
    if found == (None, None) and not likely:
        advice = []
    if not pins.layout or not advice:
        advice.append(f"if each column is a tag, give {edit('layout', 'wide')}")
    return (
        f"{file}: the columns are {listed(names)}, and none of them is known as the {missing} "
        f"column; {'; or, '.join(advice)}."
    )


def _likely(names: Sequence[str], sample: Rows, places: Sequence[int], role: str) -> list[int]:
    """Return the places of the columns that could play a role, those with a telling name first."""
    words, kind = {
        "tag": (TAG_WORDS, _texts),
        "value": (VALUE_WORDS, _numbers),
        "quality": (QUALITY_WORDS, _texts),
    }[role]
    named = [place for place in places if plain(names[place]) in words]
    return [*named, *kind(sample, [place for place in places if place not in named])]


def _numbers(sample: Rows, places: Sequence[int]) -> list[int]:
    """Return the places of the columns that begin with a number."""
    return [place for place in places if any(_is_number(row[place]) for row in sample[:20])]


def _texts(sample: Rows, places: Sequence[int]) -> list[int]:
    """Return the places of the columns that hold text but no number."""
    held = [place for place in places if any(row[place].strip() for row in sample)]
    return [place for place in held if place not in _numbers(sample, places)]


def _is_number(cell: str) -> bool:
    return re.fullmatch(r"[+-]?[\d.,' ]*\d(?:[eE][+-]?\d+)?", cell.strip()) is not None


def _by_word(
    file: str, names: Sequence[str], places: Sequence[int], words: frozenset[str], key: str
) -> int | None:
    found = [place for place in places if plain(names[place]) in words]
    if len(found) > 1:
        raise ExportError(
            f"{file}: the columns {listed([names[place] for place in found])} could each be the "
            f"{key.replace('_', ' ')}; name the right one in the site file, such as "
            f"{edit(key, names[found[0]])}."
        )
    return found[0] if len(found) == 1 else None


def _wide(file: str, names: Sequence[str], sample: Rows, times: Collection[int]) -> Columns:
    """Every named column but the time is a tag, or the quality of the tag it belongs to."""
    for place, name in enumerate(names):
        if not name and any(row[place].strip() for row in sample):
            raise ExportError(
                f"{file}: column {place + 1} holds values but has no name; export the file with "
                "the tag in the header line of each column, or name all columns in the site file: "
                f"{edit('column_names', _told_names(names))}."
            )
    quality: dict[int, int] = {}
    known = {name.casefold(): place for place, name in enumerate(names)}
    for place, name in enumerate(names):
        base = re.fullmatch(r"(.*[^ ._:/-])[ ._:/-]+(\w+)", name)
        owner = known.get(base[1].casefold()) if base and plain(base[2]) in QUALITY_WORDS else None
        if owner is None and plain(name) in QUALITY_WORDS and place - 1 not in (-1, *times):
            owner = place - 1
        if owner is not None and owner not in times:
            quality[owner] = place
    values = {
        place: name
        for place, name in enumerate(names)
        if place not in (*times, *quality.values()) and name
    }
    double = sorted({name for name in values.values() if list(values.values()).count(name) > 1})
    if double:
        raise ExportError(
            f"{file}: the columns {listed(double)} occur more than once; export each tag in one "
            "column, or name all columns in the site file: "
            f"{edit('column_names', _told_names(names))}."
        )
    if not values:
        raise ExportError(f"{file}: there is no column besides the time; export it again.")
    return Columns(None, values, quality)


def _told_names(names: Sequence[str]) -> list[str]:
    """Return the names with those that are empty or occur again told apart by their place."""
    return [
        name if name and name not in names[:place] else f"{name or 'column'} {place + 1}"
        for place, name in enumerate(names)
    ]
