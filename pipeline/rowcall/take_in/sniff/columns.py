"""Which column of an export is what, besides its times: long or wide, tags, values, qualities."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import edit, listed, override_place, plain, shown
from rowcall.take_in.sniff.column_words import QUALITY_WORDS, TAG_WORDS, VALUE_WORDS, Columns, Rows
from rowcall.take_in.sniff.wide_columns import wide_columns

_TAG_LIKE = re.compile(r"^(?=.*[^\W\d])(?=.*[\d._/\-]).+$")  # letters, and figures or joints


def find_columns(
    file: str,
    names: Sequence[str],
    sample: Rows,
    times: Collection[int],
    overrides: TakeIn,
    typed: Collection[int] = (),
) -> Columns:
    """Find the columns; raises as `find_layout`, whose arguments are these.

    Args:
        times: places of the columns that hold the times.
    """
    others = [place for place in range(len(names)) if place not in times]
    tag, value, quality = (
        override_place(file, names, name, f"{role}_column", _likely(names, sample, others, role))
        for role, name in (
            ("tag", overrides.tag_column),
            ("value", overrides.value_column),
            ("quality", overrides.quality_column),
        )
    )
    if overrides.equipment_column:
        return _of_equipment(file, names, sample, times, overrides, typed)
    if overrides.layout == "wide":
        _check_wide(file, names, sample, others)
        return wide_columns(file, names, sample, times, typed)
    tag = _by_word(file, names, others, TAG_WORDS, "tag_column") if tag is None else tag
    value = _by_word(file, names, others, VALUE_WORDS, "value_column") if value is None else value
    _check_apart(file, names, sample, times, {"tag": tag, "value": value, "quality": quality})
    if tag is not None and value is not None:
        if quality is None:
            quality = _by_word(file, names, others, QUALITY_WORDS, "quality_column")
        return Columns(tag, {value: ""}, {} if quality is None else {value: quality})
    if tag is None and value is None and overrides.layout is None:
        wide = wide_columns(file, names, sample, times, typed)
        _check_not_long(file, names, sample, wide)
        return wide
    raise ExportError(_no_long(file, names, sample, others, (tag, value), overrides))


def _of_equipment(
    file: str,
    names: Sequence[str],
    sample: Rows,
    times: Collection[int],
    overrides: TakeIn,
    typed: Collection[int],
) -> Columns:
    """Return the columns of a wide layout with the equipment column that the site file names."""
    given = overrides.equipment_column or ""
    if overrides.layout == "long" or overrides.tag_column or overrides.value_column:
        raise ExportError(
            f"{file}: {edit('equipment_column', given)} in the site file, but also a tag or value "
            "column, or the long layout: there the tags hold the equipment too; take these out, or "
            f"set {edit('equipment_column', '')}."
        )
    others = [place for place in range(len(names)) if place not in times]
    place = override_place(file, names, given, "equipment_column", _texts(sample, others) or others)
    _check_apart(file, names, sample, times, {"equipment": place})
    assert place is not None  # a name is given
    found = wide_columns(file, names, sample, (*times, place), typed)
    return replace(found, equipment=place)


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


def _check_not_long(file: str, names: Sequence[str], sample: Rows, wide: Columns) -> None:
    """Refuse what may be long with names of its own: tag-like text beside one column of numbers."""
    values = list(wide.values)
    texts = [place for place in values if all(_TAG_LIKE.search(row[place]) for row in sample[:20])]
    numbers = _numbers(sample, [place for place in values if place not in texts])
    if texts and len(numbers) == 1:
        tag, value = names[texts[0]], names[numbers[0]]
        raise ExportError(
            f"{file}: the columns are {listed(names)}, and {shown(tag)} holds text; if it names "
            f"the tags, give {edit('tag_column', tag)} and {edit('value_column', value)} (and "
            f"quality_column, if there is one); if it names the equipment, "
            f"{edit('equipment_column', tag)}; if each column is a tag, {edit('layout', 'wide')}."
        )


def _no_long(
    file: str,
    names: Sequence[str],
    sample: Rows,
    others: Sequence[int],
    found: tuple[int | None, int | None],
    overrides: TakeIn,
) -> str:
    """Say which column of the long layout is not known, and what would name it."""
    missing, kind = ("value", _numbers) if found[0] is not None else ("tag", _texts)
    free = [place for place in others if place not in found]
    likely = [names[place] for place in kind(sample, free)]
    advice = [f"name it as take_in.{missing}_column in the site file"]
    if likely:
        advice[0] += f", such as {edit(f'{missing}_column', likely[0])}"
    if found == (None, None) and not likely:
        advice = []
    if not overrides.layout or not advice:
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
        "equipment": (frozenset[str](), _texts),
    }[role]
    named = [place for place in places if plain(names[place]) in words]
    return [*named, *kind(sample, [place for place in places if place not in named])]


def _numbers(sample: Rows, places: Sequence[int]) -> list[int]:
    """Return the places of the columns that begin with a number."""
    return [place for place in places if any(_is_number(row[place]) for row in sample[:20])]


def _texts(sample: Rows, places: Sequence[int]) -> list[int]:
    """Return the places of the columns that hold text but no number."""
    held = [place for place in places if any(row[place].strip() for row in sample)]
    numbers = set(_numbers(sample, held))
    return [place for place in held if place not in numbers]


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
