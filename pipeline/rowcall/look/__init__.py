"""A look at an export: what take-in understands of it, with nothing stored."""

from __future__ import annotations

from rowcall.look.facts import Looked, TagLook
from rowcall.look.reading import look_at
from rowcall.look.writing import shown

__all__ = ["Looked", "TagLook", "look_at", "shown"]
