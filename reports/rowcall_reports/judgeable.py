"""What would make it judgeable: changes of exports, tags and settings, and what each would buy.

Rules say in words why they cannot tell; `LACKS` maps these words to what is lacking. Reasons that
no change of a record mends (a row without pulses, what another rule found) are left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rowcall.model import Chapter, Finding, Rule, Subject, Verdict
from rowcall.site import Baghouse, Role, Sample, Site
from rowcall_reports import wording
from rowcall_reports.actions import title_of
from rowcall_reports.chapters.odds import read_odds

Steps = Mapping[tuple[str, int], float]

_FINE_S = 1.0  # chosen: the sampling that is worth asking a historian for
# Chosen: the middle of the trials, rows pulsed every few minutes by a quiet transmitter.
_PULSES, _NOISE = 200, 0.002


@dataclass(frozen=True, slots=True)
class Lack:
    """One cause of not knowing.

    Attributes:
        says: pattern of reasons; the first lack of the table that fits counts.
        do: the change, with the named groups of the pattern; empty where none helps.
        is_finer: the change is header pressure at `_FINE_S`, no change where it is so recorded.
    """

    says: str
    do: str
    is_finer: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """One change, and what it would buy.

    Attributes:
        row_days: how many verdicts on a row, header or baghouse and a day were lacking for it.
        buys: in words with numbers.
    """

    do: str
    row_days: int
    buys: str


_BITS = (
    "Record the solenoid bits by change instead of scanned at intervals, or the number of the "
    "last row pulsed."
)
_FINER = "Record header pressure once a second, every value, without thinning."
LACKS = (
    Lack(
        "sent this row no pulses|no row of this compartment answers|may not be its valve"
        "|differ alike|no pressure drop whose end|mean drop misleads|judged instead"
        "|a round has only|wholly in running|were sent only|but stacked they show",
        "",
    ),
    Lack(
        "names no tag for (?P<what>.+?)(?:, which|$)",
        "Export a tag of {what} and name it in the site file.",
    ),
    Lack("header pressure is sampled every", _FINER, is_finer=True),
    Lack(
        r"tell: (?P<what>.+?) is sampled every .*?, (?P<step>[\d,]+) s or less",
        "Export {what} at least every {step} s.",
    ),
    Lack("tell: (?P<what>.+?) covers ", "Close the gaps in the export of {what}."),
    Lack(
        "no usable (?P<what>.+?) on this day: (?P<tag>[^ :]+)",
        "Repair {tag} ({what}), or its export.",
    ),
    Lack("its own bit is not usable", "Repair the bits of these rows, or their export."),
    Lack(
        "bits are scanned or incomplete|inferred from header pressure|nothing shows which row"
        "|not every pulse is known",
        _BITS,
    ),
    Lack(
        "in step with the pulses",
        "Record header pressure once a second: now its samples meet each pulse at the same moment.",
        is_finer=True,
    ),
    Lack(
        "whether samples were lost",
        "Record header pressure without lost points: no thinning, no gaps at the collector.",
    ),
    Lack(
        "no media and no temperature limits|does not state the media",
        "State the media of the bags in the site file (`media`).",
    ),
    Lack(
        "supply did not empty|neither supply pressure nor another header",
        "Export a tag of supply pressure, measured ahead of the headers.",
    ),
    Lack(
        "days are known|days since are known|days? for a trend|days show where",
        "Export older days as well, or wait: the history is still too short.",
    ),
    Lack(
        "pulses could be judged|too few, or too poorly|not certain enough|too uncertain to call"
        "|refill could be followed|may take up to|may close late|that it refills to"
        "|pressure between pulses is not known|pressure before pulses is not known",
        _FINER,
        is_finer=True,
    ),
)


def judgeable(
    findings: Iterable[Finding], site: Site, rules: Sequence[Rule], steps: Steps | None = None
) -> tuple[Advice, ...]:
    """Return the changes that would turn most verdicts `cannot tell` into others, best first.

    Args:
        findings: of the last days; those that are not `cannot tell` are left out.
        steps: time between points of header pressure by baghouse and compartment [s], 0 a shared
            header, where it is known; what is recorded once a second needs no finer record.
    """
    houses = {house.id: house for house in site.baghouse}
    known, lacking = steps or {}, dict[str, list[Finding]]()
    for finding in findings:
        house = houses.get(finding.answer.subject.baghouse)
        if finding.answer.verdict is Verdict.CANNOT_TELL and house is not None:
            change = _change(finding, house, known)
            if change:
                lacking.setdefault(change, []).append(finding)
    advice = [_advice(change, found, houses, rules, known) for change, found in lacking.items()]
    return tuple(sorted(advice, key=lambda one: (-one.row_days, one.do)))


def _change(finding: Finding, house: Baghouse, steps: Steps) -> str:
    """Return what would let a rule judge, '' where nothing would."""
    for lack in LACKS:
        found = re.search(lack.says, finding.answer.text.removesuffix("."))
        if found:
            if lack.is_finer and _is_fine(house, finding.answer.subject.compartment, steps):
                return ""
            return lack.do.format(**found.groupdict())
    return ""


def _is_fine(house: Baghouse, compartment: int, steps: Steps) -> bool:
    is_thinned = any(
        tag.sample is Sample.THINNED and tag.compartment in (None, compartment)
        for tag in house.tag
        if tag.role is Role.HEADER_PRESSURE
    )
    step_s = _step_of(house.id, compartment, steps)
    return not is_thinned and step_s is not None and step_s <= _FINE_S


def _step_of(house: str, compartment: int, steps: Steps) -> float | None:
    return steps.get((house, compartment), steps.get((house, 0)))


def _advice(
    change: str,
    found: Sequence[Finding],
    houses: Mapping[str, Baghouse],
    rules: Sequence[Rule],
    steps: Steps,
) -> Advice:
    by_rule = wording.grouped(found, lambda one: one.rule)
    counted = [_counted(group, houses, rules) for group in by_rule]
    ranked = sorted(counted, key=lambda one: (-one[0], one[1]))
    buys = "; ".join(text for _, text in ranked)
    if "once a second" in change:
        buys += _reach(found, rules, steps)
    return Advice(change, sum(n for n, _ in ranked), f"{buys}.")


def _counted(
    found: Sequence[Finding], houses: Mapping[str, Baghouse], rules: Sequence[Rule]
) -> tuple[int, str]:
    """Return of one rule how many verdicts were lacking, and in words of what."""
    name = found[0].rule
    is_of_rows = any(rule.name == name and rule.chapter is Chapter.ROWS for rule in rules)
    places = {one.answer.subject for one in found}
    sizes = {place: _size(place, houses[place.baghouse], of_rows=is_of_rows) for place in places}
    n_days = sum(sizes[one.answer.subject] for one in found)
    what, days = f"{wording.escape(title_of(rules, name))}: ", "day"
    if is_of_rows or any(place.row for place in places):
        what, days = what + f"{wording.count(_rows(places, houses), 'row')}, ", "row-day"
    return n_days, f"{what}{wording.count(n_days, days)}"


def _size(place: Subject, house: Baghouse, *, of_rows: bool) -> int:
    """Return how many rows an answer stands for."""
    if place.row or not of_rows:
        return 1
    return house.rows[place.compartment - 1] if place.compartment else sum(house.rows)


def _rows(places: Iterable[Subject], houses: Mapping[str, Baghouse]) -> int:
    """Return how many rows there are at places."""
    rows = {
        (place.baghouse, compartment, row)
        for place in places
        for compartment, row in houses[place.baghouse].all_rows()
        if place.compartment in (0, compartment) and place.row in (0, row)
    }
    return len(rows)


def _reach(found: Sequence[Finding], rules: Sequence[Rule], steps: Steps) -> str:
    """Say what trials found at the present sampling and at a finer one, where they say it."""
    subject, odds = found[0].answer.subject, read_odds()
    step_s = _step_of(subject.baghouse, subject.compartment, steps)
    if step_s is None:
        return ""
    now, fine = (odds.near(one, _PULSES, _NOISE) for one in (step_s, _FINE_S))
    asked = sorted({one.rule for one in found} & set(fine.found))
    shares = ", ".join(
        f"{title_of(rules, name)} {now.found[name]} and {fine.found[name]}"
        for name in asked
        if fine.found[name] > now.found[name]
    )
    if not shares:
        return ""
    return (
        f". Of {odds.headers} planted faults, trials with {_PULSES} pulses a row and day found at "
        f"{now.step_s:g} s and at {fine.step_s:g} s: {shares}"
    )
