"""The return-to-service sheet: test, pre-coat, heat, hold the pulses, watch, and what to log.

Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from rowcall.media import Fibre
from rowcall.model import Subject, Work
from rowcall.site import Baghouse
from rowcall.units import Units
from rowcall.work_log.bag_outcome import Outcome
from rowcall.work_log.problem import Column
from rowcall_reports import wording
from rowcall_reports.outage.outage_sheet import FOUND, tick
from rowcall_reports.outage.stop import Stop, place_of, work_of

LOG_HEAD = ",".join(Column)
_DATE, _NUMBER = "YYYY-MM-DD", "?"  # to be filled in; the log refuses them as they stand
_VERIFIES = {
    "valve": "its pulses against its neighbours'",
    "control": "whether pulses are sent to it again",
    "header": "its plateau and refill against the days before",
    "plant-air": "the pressure of all headers in the same hours",
    "cloth": "residual DP at the same gas flow; a trend begins anew with new bags",
    "heat": "inlet temperature against the limits of the media",
}


def write_return(stop: Stop) -> str:
    """Return the sheet as Markdown."""
    sections = {
        "1. Locks off, air on": _AIR,
        "2. Leak or dye test": _leak_test(stop),
        "3. Pre-coat": _pre_coat(stop),
        "4. Heat up": _heat_up(stop.house, stop.site.units.scales),
        "5. First pulses": _first_pulses(stop.house, stop.site.units.scales),
        "6. First days": _first_days(stop),
    }
    parts = [f"# Return to service: {stop.name}", f"As of {wording.long_day(stop.day)}."]
    for title, lines in sections.items():
        parts += [f"## {title}", "\n".join(map(tick, lines)), FOUND]
    parts += [
        "## 7. Entries for the work log",
        f'Copy the lines that are true; put dates for "{_DATE}" and numbers for "{_NUMBER}". '
        "Without them rowcall cannot say what was mended.",
        "```\n" + "\n".join([LOG_HEAD, *log_lines(stop)]) + "\n```",
    ]
    return "\n\n".join(parts) + "\n"


_AIR = (
    "Doors shut, people out and counted; each person takes off their own lock.",
    "Fill the headers slowly, standing clear; listen for leaks at valves, lids and fittings.",
    "Pulse every row once from the controller, standing clear: each sounds like its neighbours.",
)


def _leak_test(stop: Stop) -> Iterator[str]:
    if stop.changes_bags:
        yield "Bags are changed: make a dye test before gas comes."
    yield "Pulses off. Fan running at usual flow: feed fluorescent powder evenly at the inlet."
    yield (
        "Stop the fan. Lock out and tag out again, test the air, and read the clean side under "
        "UV light: seats, welds, door seals."
    )
    yield (
        "Mark each glowing seat with compartment, row and position, enter it in the work log, mend "
        "it, and test again with another colour."
    )
    yield "All out and counted, doors shut, locks off, before the fan starts again."


def _pre_coat(stop: Stop) -> Iterator[str]:
    media = stop.house.media
    stated = f" ({_fibre(media)} by the site file)" if media else ""
    if not stated:
        yield "The site file does not state the media of the bags: ask the bag maker."
    yield f"Bags{stated} with a membrane (ePTFE): no pre-coat, unless hydrocarbons are in the gas."
    yield (
        "New bags without a membrane, and all bags before a start on fine or sticky dust or on "
        "oil: pre-coat evenly, fan running, pulses off, until DP has risen steadily; how much, the "
        "maker of the pre-coat says."
    )


def _fibre(media: Fibre) -> str:
    return media.value.upper() if media in (Fibre.PTFE, Fibre.PPS) else media.value


def _heat_up(house: Baghouse, units: Units) -> Iterator[str]:
    yield "Heat the casing with clean, dry air before process gas enters; hopper heaters on."
    yield (
        "Pass the zone between ambient and the dew points of water and acid as fast as the unit "
        "allows; process gas only when the coldest spot is above them."
    )
    if house.gas_moisture is None:
        yield "The site file states no moisture of the gas: get the dew point from the process."
    else:
        moisture = wording.percent(house.gas_moisture)
        yield f"The site file states {moisture} moisture of the gas; write down the dew point."
    limits_c = house.temperature_limits()
    if limits_c is not None:
        yield (
            f"Stay below {units.temperature.show(limits_c[0])}, the continuous limit of the bags "
            f"({house.limit_source})."
        )


def _first_pulses(house: Baghouse, units: Units) -> Iterator[str]:
    yield "Pulses stay off until a first cake has formed."
    cleaning = house.cleaning
    if cleaning.mode == "on_demand" and "start_dp" in cleaning.model_fields_set:
        dp = units.dp.show(cleaning.start_dp)
        yield f"First pulses when DP has reached {dp}, the start set point of the site file."
    else:
        yield "The site file states no start set point: the bag maker says when pulses begin."
    yield "Then the usual cleaning; pulse pressure and length no higher than before the stop."


def _first_days(stop: Stop) -> Iterator[str]:
    if stop.changes_bags:
        yield (
            "New bags puff after pulses until they are seasoned: clean less, not more, and do not "
            "raise the pulse pressure."
        )
    yield "Look at DP, opacity and header pressure each hour of the first shift."
    yield "After a day warm: door seals and bolts tightened again where the maker says so."
    for case in stop.jobs:
        seen = _VERIFIES.get(case.family, "whether it is still found")
        yield (
            f"{place_of(case.subject)}: rowcall verifies the morning after, once the work log says "
            f"what was done: {seen}."
        )


def log_lines(stop: Stop) -> list[str]:
    """Return lines of the work log for what the sheets list, in its columns."""
    when = stop.planned.isoformat() if stop.planned else _DATE
    house = Subject(stop.house.id)
    lines = [_line(when, house, Work.OUTAGE_BEGUN)]
    lines += [_line(when, case.subject, work) for case in stop.jobs for work in work_of(case)]
    if stop.leaking:
        lines += [
            _line(when, entry.subject, Work.BAGS_CHANGED, entry.position) for entry in stop.leaking
        ]
    elif stop.changes_bags:
        lines.append(f"{when},{stop.house.id},?,?,?,{Work.BAGS_CHANGED.value},?,batch,")
    lines += [_line(when, house, Work.DYE_TEST), _line(when, house, Work.PRE_COATED)]
    return [*lines, _line(when, house, Work.OUTAGE_ENDED)]


def _line(when: str, subject: Subject, work: Work, position: int = 0) -> str:
    row = _NUMBER if subject.is_place else subject.row or ""
    is_bag = work is Work.BAGS_CHANGED
    return (
        f"{when},{subject.baghouse},{subject.compartment or ''},{row},{position or ''},"
        f"{work.value},{Outcome.FAILED if is_bag else ''},{'batch' if is_bag else ''},"
    )
