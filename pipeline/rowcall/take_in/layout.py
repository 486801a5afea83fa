"""What the columns of an export are: long or wide, and which column is what."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.time_forms import TimeForm, common_form, given_form


def _words(text: str) -> frozenset[str]:
    return frozenset(word.strip() for word in text.split(","))


# Plain words for the columns of the long layout; compared after `_plain`.
TIME_WORDS = _words(
    "time, timestamp, time stamp, date, datetime, date time, ts, local time, utc time, time utc, "
    "timestamp utc, sample time"
)
TAG_WORDS = _words(
    "tag, tagname, tag name, tag id, name, point, point name, point id, signal, signal name, "
    "signal id, channel"
)
VALUE_WORDS = _words("value, val, reading, measurement, sample value")
QUALITY_WORDS = _words("quality, quality code, status, status code, validity")


@dataclass(frozen=True, slots=True)
class Layout:
    """Places (0-based) of the columns of an export.

    Attributes:
        time: the time column, and `form` how it writes instants.
        tag: the tag column of the long layout, None in the wide one.
        values: the value columns and their tags; in the long layout one, with an empty tag.
        quality: for a value column, the column with its quality.
    """

    time: int
    form: TimeForm
    tag: int | None
    values: Mapping[int, str]
    quality: Mapping[int, int] = field(default_factory=dict)


def find_layout(
    file: str, names: Sequence[str], sample: Sequence[Sequence[str]], pins: TakeIn
) -> Layout:
    """Work out the layout from column names and a sample of rows.

    Args:
        file: name of the file, for messages.
        names: column names, one a column; empty where a column has none.
        sample: rows of cells as text, from the beginning of the data.
        pins: what the site file says, which goes before anything found here.

    Raises:
        ExportError: more than one reading is possible, or none; says what settles it.
    """
    time, form = _time_column(file, names, sample, pins)
    tag = _pinned(file, names, pins.tag_column, "tag_column")
    value = _pinned(file, names, pins.value_column, "value_column")
    quality = _pinned(file, names, pins.quality_column, "quality_column")
    if pins.layout == "wide":
        return _wide(file, names, sample, time, form)
    others = [place for place in range(len(names)) if place != time]
    tag = _by_word(file, names, others, TAG_WORDS, "tag_column") if tag is None else tag
    value = _by_word(file, names, others, VALUE_WORDS, "value_column") if value is None else value
    if tag is not None and value is not None:
        if quality is None:
            quality = _by_word(file, names, others, QUALITY_WORDS, "quality_column")
        return Layout(time, form, tag, {value: ""}, {} if quality is None else {value: quality})
    if tag is None and value is None and pins.layout is None:
        return _wide(file, names, sample, time, form)
    missing = "value" if tag is not None else "tag"
    raise ExportError(
        f"{file}: the columns are {_listed(names)}, and none of them is known as the {missing} "
        f"column; name it as take_in.{missing}_column in the site file, or give "
        'take_in.layout = "wide" if each of these columns is a tag.'
    )


def _time_column(
    file: str, names: Sequence[str], sample: Sequence[Sequence[str]], pins: TakeIn
) -> tuple[int, TimeForm]:
    pinned = _pinned(file, names, pins.time_column, "time_column")
    given = given_form(pins.time_format) if pins.time_format else None
    forms = {
        place: form
        for place in range(len(names))
        if (form := common_form(row[place] for row in sample if row[place].strip())) is not None
    }
    if pinned is not None:
        form = given or forms.get(pinned)
        if form is None:
            shown = sample[0][pinned] if sample else ""
            raise ExportError(
                f"{file}: the time column {names[pinned]!r} holds {shown!r}, which is no known "
                "form of a time; give take_in.time_format in the site file."
            )
        return pinned, form
    named = [place for place, name in enumerate(names) if _plain(name) in TIME_WORDS]
    written = [place for place, form in forms.items() if not form.epoch]
    for choice in (
        [place for place in named if place in forms or given],
        written,
        [] if written else [place for place in forms if place == 0],
    ):
        if len(choice) == 1:
            return choice[0], given or forms[choice[0]]
        if len(choice) > 1:
            raise ExportError(
                f"{file}: the columns {_listed([names[place] for place in choice])} all hold "
                "times; name the right one as take_in.time_column in the site file."
            )
    raise ExportError(
        f"{file}: none of the columns {_listed(names)} holds times in a known form; give "
        "take_in.time_column and take_in.time_format in the site file."
    )


def _pinned(file: str, names: Sequence[str], name: str | None, key: str) -> int | None:
    """Return the place of a column that the site file names."""
    if name is None:
        return None
    exact = [place for place, found in enumerate(names) if found == name.strip()]
    loose = [place for place, found in enumerate(names) if found.casefold() == name.casefold()]
    for places in (exact, loose):
        if len(places) == 1:
            return places[0]
    raise ExportError(
        f"{file}: take_in.{key} in the site file is {name!r}, but the columns are "
        f"{_listed(names)}; correct the one or the other."
    )


def _by_word(
    file: str, names: Sequence[str], places: Sequence[int], words: frozenset[str], key: str
) -> int | None:
    found = [place for place in places if _plain(names[place]) in words]
    if len(found) > 1:
        raise ExportError(
            f"{file}: the columns {_listed([names[place] for place in found])} could each be the "
            f"{key.replace('_', ' ')}; name the right one as take_in.{key} in the site file."
        )
    return found[0] if len(found) == 1 else None


def _wide(
    file: str, names: Sequence[str], sample: Sequence[Sequence[str]], time: int, form: TimeForm
) -> Layout:
    """Every named column but the time is a tag, or the quality of the tag it belongs to."""
    for place, name in enumerate(names):
        if not name and any(row[place].strip() for row in sample):
            raise ExportError(
                f"{file}: column {place + 1} holds values but has no name; "
                "export the file with the tag in the header line of each column."
            )
    quality: dict[int, int] = {}
    known = {name.casefold(): place for place, name in enumerate(names)}
    for place, name in enumerate(names):
        base = re.fullmatch(r"(.*[^ ._:/-])[ ._:/-]+(\w+)", name)
        owner = known.get(base[1].casefold()) if base and _plain(base[2]) in QUALITY_WORDS else None
        if owner is None and _plain(name) in QUALITY_WORDS and place - 1 not in (-1, time):
            owner = place - 1
        if owner is not None and owner != time:
            quality[owner] = place
    values = {
        place: name
        for place, name in enumerate(names)
        if place != time and place not in quality.values() and name
    }
    double = sorted({name for name in values.values() if list(values.values()).count(name) > 1})
    if double:
        raise ExportError(
            f"{file}: the columns {_listed(double)} occur more than once; "
            "export each tag in one column."
        )
    if not values:
        raise ExportError(f"{file}: there is no column besides the time; export it again.")
    return Layout(time, form, None, values, quality)


def _plain(name: str) -> str:
    return " ".join(re.sub(r"[_./-]", " ", name).casefold().split())


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:8])
    return shown + (f" and {len(names) - 8} more" if len(names) > 8 else "")
