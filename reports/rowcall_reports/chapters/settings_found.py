"""The chapter on cleaning control: settings as found beside those of the site file."""

from __future__ import annotations

import math

from rowcall.diagnosis.settings_seen import settings_of
from rowcall_reports import wording
from rowcall_reports.prepared import PreparedDay


def write_settings_found(baghouse: PreparedDay) -> str:
    """Return the settings of the controller as found in the data, '' where none can be seen."""
    lines = [
        [
            one.words[0].upper() + one.words[1:],
            one.scale.show(one.found),
            one.scale.show(one.stated),
        ]
        for one in settings_of(baghouse.day, baghouse.facts)
        if not math.isnan(one.found)
    ]
    head = ["Setting", "As found", "Site file"]
    return wording.table(head, lines, right=(1, 2)) if lines else ""
