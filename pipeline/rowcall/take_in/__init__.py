"""Taking in: export files of a historian, CSV or Parquet, become samples in the store."""

from __future__ import annotations

from rowcall.take_in.folder import find_exports
from rowcall.take_in.intake import take_in, taking_in
from rowcall.take_in.outcome import Outcome, TakenIn

__all__ = ["Outcome", "TakenIn", "find_exports", "take_in", "taking_in"]
