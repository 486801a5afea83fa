"""Taking in: export files of a historian, CSV or Parquet, become samples in the store."""

from __future__ import annotations

from rowcall.take_in.files.inbox import find_exports
from rowcall.take_in.outcome import Outcome, TakenIn
from rowcall.take_in.run import take_in, taking_in

__all__ = ["Outcome", "TakenIn", "find_exports", "take_in", "taking_in"]
