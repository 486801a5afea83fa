"""The store of a site: one DuckDB file with samples, the take-in ledger and the results."""

from __future__ import annotations

from rowcall.store.connection import Store

__all__ = ["Store"]
