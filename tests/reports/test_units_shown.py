"""A report in the units of the site file: none of another system in tables, words or pictures."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from helpers import report_days
from helpers.day_pages import all_pages
from helpers.report_facts import with_facts
from helpers.unit_systems import OTHER, SYSTEMS, WORDS

from rowcall.day_report import DayReport
from rowcall.model import Fact
from rowcall_reports.figures import canvas
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.tables.findings import findings_frame
from rowcall_reports.tables.formats import to_json_lines, to_parquet

if TYPE_CHECKING:
    from matplotlib.figure import Figure

AIR_FACTS = [
    (1, 0, Fact.PLATEAU_PA, 6.1e5),
    (1, 0, Fact.SHORTFALL_PA, 2.1e4),
    (1, 0, Fact.CYCLE_LOSS_PA, 3.4e4),
    (1, 0, Fact.CYCLE_LOSS_SHARE, 0.05),
    (1, 0, Fact.IDLE_PA, 6.2e5),
    (1, 0, Fact.FREE_AIR_M3, 0.131),
    (1, 0, Fact.FREE_AIR_DAY_M3, 1234.0),
    (1, 0, Fact.DECAY_TAU_S, 900.0),
    (1, 0, Fact.DECAY_PA_S, 45.0),
    (1, 0, Fact.DECAY_M3_S, 0.0014),
    (1, 0, Fact.BEFORE_PA, 6.0e5),
    (0, 0, Fact.FLOW_M3_S, 16.7),
]


def report_in(system: str) -> DayReport:
    """Return a judged day in the units of a system; what its rules said names no quantity."""
    table, full = SYSTEMS[system], report_days.sample()
    site = full.site.model_copy(update={"units": table})
    kiln_house = full.baghouses[0].baghouse.model_copy(update={"pulse_pressure": 6e5})
    facts = with_facts(full.baghouses[0].facts, AIR_FACTS)
    days = (replace(full.baghouses[0], baghouse=kiln_house, facts=facts), *full.baghouses[1:])
    findings = tuple(
        replace(one, answer=replace(one.answer, text="As found.")) for one in full.findings
    )
    return replace(
        full,
        site=site,
        baghouses=tuple(replace(day, units=table.scales) for day in days),
        findings=findings,
        cases=report_days.cases_of(findings),
    )


def drawn_words(report: DayReport, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Yield all that is written in the pictures of a report, beside them and under them."""
    written: list[str] = []

    def read(figure: Figure) -> bytes:
        from matplotlib.text import Text

        figure.draw_without_rendering()
        written.extend(part.get_text() for part in figure.findobj(Text))
        return b""

    monkeypatch.setattr(canvas, "to_png", read)
    for picture in draw(report):
        yield from (picture.alt, picture.caption)
    yield from written


@pytest.mark.parametrize("system", SYSTEMS)
def test_a_report_holds_no_unit_of_another_system(
    system: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = report_in(system)
    words = "\n".join([all_pages(report), *drawn_words(report, monkeypatch)])
    assert re.findall(WORDS[OTHER[system]], words) == []
    own = {match[0] for match in re.finditer(WORDS[system], words)}
    shown = {"metric": {"kPa", "bar", "°C", "m³"}, "us": {"in. w.c.", "psig", "psi", "°F", "acfm"}}
    assert shown[system] <= own


def test_findings_files_are_the_same_in_any_units() -> None:
    frames = [findings_frame(report_in(system)) for system in SYSTEMS]
    assert to_json_lines(frames[0]) == to_json_lines(frames[1])
    assert to_parquet(frames[0]) == to_parquet(frames[1])
