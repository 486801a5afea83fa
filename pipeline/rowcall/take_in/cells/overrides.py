"""What the site file says of an export, and the edit of it that would settle an open point."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import date
from difflib import get_close_matches

from rowcall.errors import ExportError, printable

SiteValue = str | bool | int | date | Sequence[str]


_LONGEST_NAME, _LONGEST_EDIT = 40, 240  # signs in a message; chosen


def toml_value(value: SiteValue) -> str:
    """Write a value as TOML, in the printable form of its basic strings."""
    if isinstance(value, date):
        return value.isoformat()
    return printable(json.dumps(value, ensure_ascii=False))


def edit(key: str, value: SiteValue) -> str:
    """Return the setting of the site file that settles something, to be named in a message.

    Of one too long for a message the beginning is shown.
    """
    text = toml_value(value)
    if len(text) > _LONGEST_EDIT:
        text = text[:_LONGEST_EDIT].rstrip("\\") + "... (and so on)"
    return f"take_in.{key} = {text}"


def edit_of(key: str, values: Sequence[SiteValue]) -> str:
    """Return the setting with its likeliest value, and the next one where that may be right too."""
    others = "".join(f" (or {toml_value(value)})" for value in values[1:2])
    return edit(key, values[0]) + others


def override_place(
    file: str, names: Sequence[str], name: str | None, key: str, likely: Sequence[int] = ()
) -> int | None:
    """Return the place of a column that the site file names, None where it names none.

    Args:
        likely: places of columns that could be meant, for the message.

    Raises:
        ExportError: there is no such column, or more than one.
    """
    if name is None:
        return None
    exact = [place for place, found in enumerate(names) if found == name.strip()]
    loose = [place for place, found in enumerate(names) if found.casefold() == name.casefold()]
    for places in (exact, loose):
        if len(places) == 1:
            return places[0]
    filled = [found for found in names if found]
    guesses = [names[place] for place in likely if names[place]]
    guess = next(iter(guesses or get_close_matches(name, filled, n=1, cutoff=0.0)), "")
    raise ExportError(
        f"{file}: take_in.{key} in the site file is {shown(name)}, but the columns are "
        f"{listed(names)}; correct it, such as {edit(key, guess)}."
    )


def plain(name: str) -> str:
    """Return a column's name in lower case, with blanks for the signs between its words."""
    return " ".join(re.sub(r"[_./-]", " ", name).casefold().split())


def listed(names: Sequence[str]) -> str:
    """Return names as a message shows them."""
    several = ", ".join(shown(name) for name in names[:8])
    return several + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def shown(text: str, longest: int = _LONGEST_NAME) -> str:
    """Return a name or a cell as a message shows it: in quotes, escaped, and cut where long."""
    if len(text) <= longest and text.isprintable():
        return repr(text)
    kept = min(len(text), longest)
    while kept > 1 and len(repr(text[:kept])) > longest + 2:
        kept -= 1
    return repr(text[:kept] + ("..." if kept < len(text) else ""))
