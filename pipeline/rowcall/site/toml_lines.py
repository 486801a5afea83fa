"""A TOML text as it is written: where a key or a comment stands, and what of it can be read."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import suppress

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*(?:"([^"]+)"|([A-Za-z0-9_-]+))\s*=""")
# Strings, so that what looks like a comment within one is none, or a comment.
_STRING_OR_COMMENT = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|#[^\n]*''', re.S
)
_OPEN = re.compile(r"#\s*CHECK\b")

Path = Sequence[str | int]


def readable_tables(text: str) -> dict[str, object]:
    """Return the tables of a text of which some part is no TOML; of several by a name, the last.

    A table within another, `[[mail.reader]]`, leaves the rest of that one as it is.
    """
    found: dict[str, object] = {}
    for part in re.split(r"(?m)^(?=[ \t]*\[)", text):
        with suppress(tomllib.TOMLDecodeError):
            for name, table in tomllib.loads(part).items():
                before = found.get(name)
                is_within = isinstance(before, dict) and isinstance(table, dict)
                found[name] = before | table if is_within else table
    return found


def open_checks(text: str) -> Iterator[tuple[int, str]]:
    """Yield number (from 1) and text of each line of valid TOML with a comment `# CHECK`."""
    lines = text.split("\n")
    for piece in _STRING_OR_COMMENT.finditer(text):
        if _OPEN.match(piece[0]):
            number = text.count("\n", 0, piece.start())
            yield number + 1, lines[number].strip()


def locate(text: str, path: Path) -> int | None:
    """Return the 1-based line of `path` (`("baghouse", 0, "tag", 2, "unit")`) in a TOML text.

    Falls back to the line of the enclosing table, and to None where even that is not written
    as a table header of its own (inline tables).
    """
    best: tuple[int, int] | None = None
    current: list[str | int] = []
    counts: dict[tuple[str | int, ...], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.fullmatch(line)
        if header:
            names = [part.strip().strip('"') for part in header[2].split(".")]
            current = _resolve(names, header[1] == "[[", counts)
            here = current
        else:
            key = _KEY.match(line)
            if not key:
                continue
            here = [*current, key[1] or key[2]]
        if list(path[: len(here)]) == here and (best is None or len(here) > best[0]):
            best = (len(here), number)
    return best[1] if best else None


def _resolve(
    names: Sequence[str], is_array: bool, counts: dict[tuple[str | int, ...], int]
) -> list[str | int]:
    path: list[str | int] = []
    for depth, name in enumerate(names):
        path.append(name)
        key = tuple(path)
        if is_array and depth == len(names) - 1:
            counts[key] = counts.get(key, -1) + 1
        if key in counts:
            path.append(counts[key])
    return path


def dotted(path: Path) -> str:
    """Return `path` as a person writes it: `baghouse[1].tag[3].unit`, counting from 1."""
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
    return "".join(parts).removeprefix(".")
