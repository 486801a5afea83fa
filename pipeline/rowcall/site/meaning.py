"""What of a baghouse's settings the facts of its days rest on.

Where that changes (a unit, a range, a scale, the rows, their order, the media, a tag), facts of
before and after are numbers of different things, and no trend may join them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Set
from functools import cache, lru_cache
from typing import Any, get_args

from rowcall.site.baghouse import Baghouse, Cleaning
from rowcall.units import Dimension

# Names, and what rules compare a day's facts with: they leave the facts as they are.
_BESIDE_FACTS = {
    "id",
    "name",
    "bags_per_row",
    "pulse_pressure",
    "residual_dp_limit",
    "dust_delay",
    "opacity_limit",
    "dust_alarm",
    "monitor_checks",
    "continuous_limit",
    "surge_limit",
    "inlet_rows",
    "inlet_positions",
    "wall_rows",
    "wall_positions",
    "tag",
}
_BESIDE_VALUES = {"valid_from", "valid_to"}


@lru_cache(maxsize=64)  # asked for each day of a history, and the same on nearly all of them
def meaning_of(baghouse: Baghouse) -> str:
    """Return what the facts of a day rest on, as JSON of one form.

    Args:
        baghouse: with the tags of that day only (`Baghouse.on`).
    """
    return json.dumps(_dumped(baghouse, _BESIDE_FACTS), sort_keys=True)


def settings_of(baghouse: Baghouse) -> dict[str, str]:
    """Return every setting of a baghouse besides its names, in a few words each."""
    settings = _flat(_dumped(baghouse, {"id", "name", "tag"}, beside_values=frozenset()))
    return {key: _shown(key, value) for key, value in settings}


def _dumped(
    baghouse: Baghouse, left_out: Set[str], beside_values: Set[str] = _BESIDE_VALUES
) -> dict[str, Any]:
    """Return settings, and those of each tag by its role and place."""
    tags = {
        f"{tag.role.value} of {tag.where}": tag.model_dump(
            mode="json", exclude=set(beside_values), by_alias=True
        )
        for tag in baghouse.tag
    }
    return baghouse.model_dump(mode="json", exclude=set(left_out)) | tags


def changes_of_meaning(before: str, now: str) -> list[str]:
    """Return what differs between two of `meaning_of`, a few words each."""
    old, new = (dict(_flat(json.loads(text))) for text in (before, now))
    return [
        f"{key} {_shown(key, old.get(key))} became {_shown(key, new.get(key))}"
        for key in sorted(old.keys() | new.keys())
        if old.get(key) != new.get(key)
    ]


def _flat(table: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from ((f"{key}: {inner}", each) for inner, each in _flat(value))
        else:
            yield key, value


def _shown(key: str, value: object) -> str:
    """Return a value in words, a quantity with its inside unit: that is what is stored."""
    unit = _units().get(key)
    if isinstance(value, float) and unit is not None:
        return f"{value:.6g} {unit}".removesuffix(" 1")
    return "none" if value is None else str(value)


@cache
def _units() -> Mapping[str, str]:
    """The UCUM code of each quantity's inside unit, by its key as `_flat` writes it."""
    keys = [(name, field) for name, field in Baghouse.model_fields.items()]
    keys += [(f"cleaning: {name}", field) for name, field in Cleaning.model_fields.items()]
    return {
        key: note.value
        for key, field in keys
        for note in (*field.metadata, *_notes(field.annotation))
        if isinstance(note, Dimension)
    }


def _notes(annotation: object) -> Iterator[object]:
    for part in get_args(annotation):
        yield part
        yield from _notes(part)
