"""Cautions before work: only those the findings call for, in plain sentences.

Topics from 29 CFR 1910.147 (hazardous energy), 29 CFR 1910.146 (confined spaces), 29 CFR
1910.1053 (silica) and NFPA 660 (combustible dust); the words are our own.
"""

from __future__ import annotations

from collections.abc import Collection

from rowcall.model import Caution
from rowcall_reports.actions import Job

SENTENCES: dict[Caution, str] = {
    Caution.LOCKOUT: (
        "**Lock out and tag out** gas, fan, dampers, hopper drives, cleaning control power and "
        "compressed air, and verify zero energy."
    ),
    Caution.STORED_AIR: (
        "**Stored air:** shut and lock the supply, bleed the header and verify zero pressure "
        "before a valve lid, pilot line or blowpipe is loosened; a supply valve that leaks by "
        "fills the header again."
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
_SHORT: dict[Caution, str] = {
    Caution.LOCKOUT: "lock out and tag out, verify zero energy",
    Caution.STORED_AIR: "bleed the header, verify zero pressure",
    Caution.CONFINED_SPACE: "permit and air test before entry",
    Caution.HOT: "let it cool",
    Caution.COMBUSTIBLE_DUST: "no sparks",
    Caution.BREATHING: "respirator, gloves",
    Caution.HEIGHT: "fall protection",
}
_WHENEVER_WORK = (Caution.LOCKOUT, Caution.CONFINED_SPACE)
CLOSING = "Local codes, the site's permits and licensed persons decide."


def write_cautions(jobs: Collection[Job]) -> str:
    """Return the cautions in full, '' when nothing was found that leads to work."""
    if not jobs:
        return ""
    return "\n".join([*(f"- {SENTENCES[caution]}" for caution in _cautions(jobs)), "", CLOSING])


def cautions_in_short(jobs: Collection[Job]) -> str:
    """Return them in one line, '' when nothing was found that leads to work."""
    if not jobs:
        return ""
    short = "; ".join(_SHORT[caution] for caution in _cautions(jobs))
    return f"**Before anything is opened:** {short}. {CLOSING}"


def _cautions(jobs: Collection[Job]) -> list[Caution]:
    apply = {caution for job in jobs for caution in job.rule.cautions}.union(_WHENEVER_WORK)
    return [caution for caution in Caution if caution in apply]
