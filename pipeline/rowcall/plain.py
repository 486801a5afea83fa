"""Foreign text (names of tags and files, cells) on a line of a terminal, a log or a mail's head."""

from __future__ import annotations


def one_line(text: str) -> str:
    """Return text with every sign that could break, clear or colour a line made a space."""
    return "".join(sign if sign.isprintable() else " " for sign in text)
