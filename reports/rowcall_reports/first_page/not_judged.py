"""What could not be judged, one line a kind, and what would change that."""

from __future__ import annotations

from collections.abc import Sequence

from rowcall.model import Finding, Lack
from rowcall_reports import actions, wording
from rowcall_reports.judgeable import judgeable, pressure_steps
from rowcall_reports.page_links import baghouse_page, link
from rowcall_reports.prepared import PreparedDay, PreparedReport

_LEAD = "Cannot tell: "  # as `Answer.cannot_tell` begins
_MAX_KINDS = 4  # chosen: what a telephone shows; the pages of the baghouses have them all
_MAX_CHECKS = 2  # chosen: of a line


def write_not_judged(prepared: PreparedReport) -> str:
    """Return the kinds with the most checks."""
    found = [one for house in prepared.baghouses for one in _unexplained(house)]
    kinds = wording.grouped(found, lambda one: _remedy(prepared, one))
    kinds.sort(key=len, reverse=True)
    lines = [_line(prepared, kind) for kind in kinds[:_MAX_KINDS]]
    if len(kinds) > _MAX_KINDS:
        lines.append(f"- {wording.count(len(kinds) - _MAX_KINDS, 'more reason')}: {_pages(found)}.")
    return "\n".join(lines)


def _unexplained(house: PreparedDay) -> list[Finding]:
    """Return what could not be judged where nothing is found and no other tag is judged for it."""
    places = ((one.answer.subject, one) for one in house.unjudged)
    return [
        one
        for at, one in places
        if (at.compartment, at.row) not in house.found_rows
        and one.answer.lack is not Lack.OTHER_TAG
    ]


def _remedy(prepared: PreparedReport, found: Finding) -> str:
    """Return what would let the rule judge, else its reason without numbers."""
    report = prepared.report
    steps = pressure_steps(house.day for house in prepared.baghouses)
    advice = judgeable([found], report.site, report.rules, steps)
    return advice[0].do if advice else wording.without_numbers(found.answer.text)


def _line(prepared: PreparedReport, kind: Sequence[Finding]) -> str:
    checks = list(dict.fromkeys(one.rule for one in kind))
    titles = [actions.title_of(prepared.report.rules, name) for name in checks[:_MAX_CHECKS]]
    named = "; ".join(map(wording.lower_first, titles))
    if len(checks) > _MAX_CHECKS:
        named += f"; {wording.count(len(checks) - _MAX_CHECKS, 'more check')}"
    houses = wording.grouped(kind, lambda one: one.answer.subject.baghouse)
    where = "; ".join(_where(house) for house in houses)
    remedy = _remedy(prepared, kind[0])
    if remedy == wording.without_numbers(kind[0].answer.text):
        remedy = kind[0].answer.text.removeprefix(_LEAD)
        remedy = f"{remedy[0].upper()}{remedy[1:]}"
    return f"- **{where}:** {wording.escape(named)}. {wording.escape(remedy)}"


def _where(found: Sequence[Finding]) -> str:
    house = found[0].answer.subject.baghouse
    place = actions.places_of([one.answer.subject for one in found])
    named = house if place == "whole baghouse" else f"{house}, {place}"
    return link(wording.escape(named), baghouse_page(house), "Could not be judged")


def _pages(found: Sequence[Finding]) -> str:
    houses = dict.fromkeys(one.answer.subject.baghouse for one in found)
    return ", ".join(
        link(wording.escape(house), baghouse_page(house), "Could not be judged") for house in houses
    )
