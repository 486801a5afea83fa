"""The shared nouns: what a rule is, what it is given, what it answers.

A rule is a declared thing around one pure function from a `Context` to answers; reports and the
store know only these nouns.
"""

from __future__ import annotations

from rowcall.model.answer import Answer, Caution, Finding, Quantity, Subject, Urgency, Verdict
from rowcall.model.day import HOUR_COLUMNS, BaghouseDay, Inferred, Signal, TagHealth
from rowcall.model.fact import (
    FACT_COLUMNS,
    HISTORY_COLUMNS,
    VERDICT_COLUMNS,
    Fact,
    FactBook,
    Floats,
    History,
    Level,
    OtherSettings,
)
from rowcall.model.rule import (
    ISOLATED,
    Chapter,
    Context,
    Judge,
    Limits,
    Need,
    RowMark,
    Rule,
    Threshold,
    limit,
    work,
)

__all__ = [
    "FACT_COLUMNS",
    "HISTORY_COLUMNS",
    "HOUR_COLUMNS",
    "ISOLATED",
    "VERDICT_COLUMNS",
    "Answer",
    "BaghouseDay",
    "Caution",
    "Chapter",
    "Context",
    "Fact",
    "FactBook",
    "Finding",
    "Floats",
    "History",
    "Inferred",
    "Judge",
    "Level",
    "Limits",
    "Need",
    "OtherSettings",
    "Quantity",
    "RowMark",
    "Rule",
    "Signal",
    "Subject",
    "TagHealth",
    "Threshold",
    "Urgency",
    "Verdict",
    "limit",
    "work",
]
