"""Tables and words of the reference in Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; a bar within a cell is escaped."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(
        f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in lines
    )


def coded(words: Iterable[str]) -> str:
    """Return words as code, with commas between them."""
    return ", ".join(f"`{word}`" for word in words)
