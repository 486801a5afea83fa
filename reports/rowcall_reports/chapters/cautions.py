"""Cautions before work: only those the findings call for, in plain sentences.

Topics from 29 CFR 1910.147 (hazardous energy), 29 CFR 1910.146 (confined spaces), 29 CFR
1910.1053 (silica) and NFPA 660 (combustible dust); the words are our own.
"""

from __future__ import annotations

from rowcall.day_report import DayReport
from rowcall.model import Caution, Verdict
from rowcall_reports import actions

SENTENCES: dict[Caution, str] = {
    Caution.LOCKOUT: (
        "**Lock out and tag out** gas, fan, dampers, hopper drives, cleaning control power and "
        "compressed air, and prove that they are dead."
    ),
    Caution.STORED_AIR: (
        "**Stored air:** shut and lock the supply, bleed the header and prove zero pressure "
        "before a valve lid, pilot line or blowpipe is loosened; a leaking supply fills it again."
    ),
    Caution.CONFINED_SPACE: (
        "**Confined space:** clean-air plenum, casing and hopper need a permit; test the air "
        "before entry and while inside."
    ),
    Caution.HOT: "**Hot** gas, surfaces and dust: let the unit cool and check before opening.",
    Caution.COMBUSTIBLE_DUST: (
        "**Combustible dust:** no sparks or flames, bonded tools and hoses, no blowing down."
    ),
    Caution.BREATHING: (
        "**Breathing:** respirator and gloves fit for this dust; free silica and toxic dusts have "
        "their own limits."
    ),
    Caution.HEIGHT: "**Height:** fall protection on the roof and at open plenum lids.",
}
_WHENEVER_WORK = (Caution.LOCKOUT, Caution.CONFINED_SPACE)
CLOSING = "Local codes, the site's permits and licensed persons decide."


def write_cautions(report: DayReport) -> str:
    """Return the cautions, '' when nothing was found that leads to work."""
    rules = actions.rules_by_name(report)
    found = {item.rule for item in report.findings if item.answer.verdict is Verdict.FOUND}
    if not found:
        return ""
    called = set(_WHENEVER_WORK)
    for name in found:
        called |= set(rules[name].cautions) if name in rules else set(Caution)
    lines = [f"- {SENTENCES[caution]}" for caution in Caution if caution in called]
    return "\n".join([*lines, "", CLOSING])
