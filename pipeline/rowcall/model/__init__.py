"""The shared nouns: what a rule is, what it is given, what it answers.

A rule is a declared thing around one pure function from a `Context` to answers; reports and the
store know only these nouns.
"""

from __future__ import annotations

from rowcall.model.answer import Answer, Caution, Finding, Quantity, Subject, Urgency, Verdict
from rowcall.model.case import (
    Case,
    Check,
    Event,
    Explained,
    News,
    RankedCause,
    Repair,
    Sign,
    State,
)
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
from rowcall.model.work import Work, WorkEntry, WorkLog

__all__ = [
    "FACT_COLUMNS",
    "HISTORY_COLUMNS",
    "HOUR_COLUMNS",
    "ISOLATED",
    "VERDICT_COLUMNS",
    "Answer",
    "BaghouseDay",
    "Case",
    "Caution",
    "Chapter",
    "Check",
    "Context",
    "Event",
    "Explained",
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
    "News",
    "OtherSettings",
    "Quantity",
    "RankedCause",
    "Repair",
    "RowMark",
    "Rule",
    "Sign",
    "Signal",
    "State",
    "Subject",
    "TagHealth",
    "Threshold",
    "Urgency",
    "Verdict",
    "Work",
    "WorkEntry",
    "WorkLog",
    "limit",
    "work",
]
