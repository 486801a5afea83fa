"""Drafting a first site file from an export, for a person to finish."""

from __future__ import annotations

from rowcall.draft.render import draft_site

__all__ = ["draft_site"]
