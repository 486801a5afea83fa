"""How the historian records a tag."""

from __future__ import annotations

from enum import StrEnum


class Sample(StrEnum):
    """How a historian records a tag's points; the value is the word of the site file."""

    AT_INTERVALS = "at intervals"
    """The value at even intervals; nothing is made up between them."""
    ON_CHANGE = "on change"
    """A point at each change; it holds until the next one, two days at most, and is no gap
    meanwhile."""
    THINNED = "thinned"
    """Near points left out; straight between points up to four hours apart."""


_FORMER = {"snapshot": "at intervals", "step": "on change", "compressed": "thinned"}


def present_word(value: object) -> object:
    """Refuse a word of earlier versions by naming the present one; return any other value.

    Raises:
        ValueError: a former word.
    """
    if isinstance(value, str) and value in _FORMER:
        raise ValueError(f'this word has changed; write sample = "{_FORMER[value]}"')
    return value
