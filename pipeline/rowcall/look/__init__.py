"""A look at an export: what take-in understands of it, with nothing stored."""

from __future__ import annotations

from rowcall.look.describe import shown
from rowcall.look.reading import look_at
from rowcall.look.tag_stats import Looked, TagLook

__all__ = ["Looked", "TagLook", "look_at", "shown"]
