"""The roles that columns of an export play, and plain words for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

Rows = Sequence[Sequence[str]]


def _words(text: str) -> frozenset[str]:
    return frozenset(word.strip() for word in text.split(","))


# Plain words for columns, those but of the time in the long layout; compared after `plain`.
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
class Columns:
    """Places (0-based) of tag column (long layout), value columns and their quality columns.

    `values` names the tag of each value column; in the long layout there is one, with an empty tag.
    `equipment` is the column of the wide layout that the site file says names the equipment.
    """

    tag: int | None
    values: Mapping[int, str]
    quality: Mapping[int, int] = field(default_factory=dict)
    equipment: int | None = None
