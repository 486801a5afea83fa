"""Mail addresses as a site file writes them."""

from __future__ import annotations

import re

_BARE = r"""[^\s<>@,;:"\\()\[\]]+@[^\s<>@,;:"\\()\[\]]+"""
_ADDRESS = re.compile(rf"[^<>@]*<({_BARE})>\s*|({_BARE})")


def address(text: str) -> str:
    """Return the bare address of `Name <name@host>`.

    Raises:
        ValueError: not one plain ASCII address.
    """
    match = _ADDRESS.fullmatch(text) if text.isprintable() else None
    bare = (match[1] or match[2]) if match else ""
    if not (bare and bare.isascii()):
        raise ValueError("this is not one mail address such as maintenance@plant.example")
    return bare


def checked(text: str) -> str:
    """Return a text that holds one address, as it stands; errors as of `address`."""
    address(text)
    return text
