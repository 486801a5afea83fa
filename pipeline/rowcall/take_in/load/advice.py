"""What a person can do about rows that were set aside, by the reason."""

from __future__ import annotations

from datetime import date

from rowcall.take_in.cells.overrides import edit
from rowcall.take_in.cells.timestamps import TOO_EARLY, UNCLEAR_HOUR, UNREADABLE
from rowcall.take_in.load.entries import NO_NUMBER, NO_QUALITY
from rowcall.take_in.outcome import FUTURE, UNKNOWN_TAG
from rowcall.take_in.read.text_cells import MORE_FIELDS
from rowcall.take_in.read.text_tables import CUT_OFF, DAMAGED

_ADVICE = {
    UNREADABLE: "if the times are right, give take_in.time_format in the site file",
    TOO_EARLY: f"if the times are right, give {edit('earliest', date(1970, 1, 1))} in the site "
    "file",
    FUTURE: "look at this computer's clock and at plant.time_zone; if the times are right, give "
    f"{edit('future_tolerance', '1 d')} in the site file",
    UNKNOWN_TAG: f"add the tag to a baghouse, or give {edit('unknown_tags', 'store')} in the "
    "site file",
    NO_NUMBER: "if words stand for a bad sensor there, list them in the site file, such as "
    f"{edit('bad_values', ['a word', 'another'])}",
    DAMAGED: f"export it again, or give {edit('encoding', 'cp1252')} (or what it is written in) in "
    "the site file",
    UNCLEAR_HOUR: f"such as {edit('time_zone', 'UTC')}, or the offset of winter time all year, as "
    f"{edit('time_zone', '+01:00')}",
    CUT_OFF: "copy or export it again, with a line end behind the last row",
    NO_QUALITY: f"say what the words mean, such as {edit('quality_good', ['a word'])} in the site "
    "file",
}


def advice(reason: str) -> str:
    """Return what to do when rows are set aside for this reason."""
    if MORE_FIELDS in reason:
        return "export it with a decimal point, or with a semicolon between the columns"
    return _ADVICE.get(reason, "check the export and take_in in the site file")
