"""The roles that columns of an export play besides its times, and plain words that tell them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

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
