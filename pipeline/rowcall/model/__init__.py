"""The shared nouns: what a rule is, what it is given, what it answers.

A rule is a declared thing around one pure function from a `Context` to answers; reports and the
store know only these nouns.
"""

from __future__ import annotations

from rowcall.model.answer import (
    PRESSING,
    Answer,
    Caution,
    Finding,
    Lack,
    Quantity,
    Urgency,
    Verdict,
)
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
from rowcall.model.cause import At, Cause, Evidence, Explains, Family, Measure, Member, SignOf
from rowcall.model.day import (
    HOUR_COLUMNS,
    PUFF_COLUMNS,
    START_COLUMNS,
    BaghouseDay,
    Inferred,
    Signal,
    TagHealth,
)
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
from rowcall.model.restart import RESTARTS, since_words, since_work
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
from rowcall.site.subject import Subject
from rowcall.work_log.work import Work, WorkEntry, WorkLog

__all__ = [
    "FACT_COLUMNS",
    "HISTORY_COLUMNS",
    "HOUR_COLUMNS",
    "ISOLATED",
    "PRESSING",
    "PUFF_COLUMNS",
    "RESTARTS",
    "START_COLUMNS",
    "VERDICT_COLUMNS",
    "Answer",
    "At",
    "BaghouseDay",
    "Case",
    "Cause",
    "Caution",
    "Chapter",
    "Check",
    "Context",
    "Event",
    "Evidence",
    "Explained",
    "Explains",
    "Fact",
    "FactBook",
    "Family",
    "Finding",
    "Floats",
    "History",
    "Inferred",
    "Judge",
    "Lack",
    "Level",
    "Limits",
    "Measure",
    "Member",
    "Need",
    "News",
    "OtherSettings",
    "Quantity",
    "RankedCause",
    "Repair",
    "RowMark",
    "Rule",
    "Sign",
    "SignOf",
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
    "since_words",
    "since_work",
    "work",
]
