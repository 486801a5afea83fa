"""The sheets of a stop as files: Markdown, a page and a CSV each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rowcall.csv_text import to_csv
from rowcall_reports.html import to_page
from rowcall_reports.outage.bag_life_page import CSV_HEAD, bag_lines, write_bag_life
from rowcall_reports.outage.bag_sheet import rows_of, write_bag_change
from rowcall_reports.outage.bag_study import BagStudy, part_of_outage_sheet
from rowcall_reports.outage.outage_sheet import looks_of, tasks, write_outage
from rowcall_reports.outage.return_sheet import LOG_HEAD, log_lines, write_return
from rowcall_reports.outage.stop import Stop, place_of, why_of
from rowcall_reports.outage.stop_checks import CHECKS, Step

_HEAD = (
    "step", "kind", "baghouse", "compartment", "row", "place", "what", "why", "urgency", "since",
    "count", "case", "done", "found", "name", "date",
)  # fmt: skip
_EMPTY = ("", "", "", "")  # to be filled in


def sheets(stop: Stop, study: BagStudy | None = None) -> dict[str, str]:
    """Return the files of a baghouse's sheets by name; the same input gives the same bytes.

    Pictures are those of the study of its bags.
    """
    name, day = stop.house.id, stop.day.isoformat()
    pages = {
        f"outage-{name}-{day}": (
            write_outage(stop, part_of_outage_sheet(study)),
            to_csv(_HEAD, _lines(stop)),
        ),
        f"return-{name}-{day}": (
            write_return(stop),
            to_csv(LOG_HEAD.split(","), (line.split(",") for line in log_lines(stop))),
        ),
        f"bags-{name}-{day}": (
            write_bag_change(stop),
            to_csv(("baghouse", "compartment", "row", "position", "changed", "batch"), _bags(stop)),
        ),
    }
    if study and study.bags:
        pages[study.page] = write_bag_life(study), to_csv(CSV_HEAD, bag_lines(study))
    shown = {one.name: one.name for one in study.pictures} if study else {}
    files: dict[str, str] = {}
    for stem, (text, table) in pages.items():
        if text:
            title = text.partition("\n")[0].removeprefix("# ").replace("\\", "")
            page = to_page(text, title=title, image_src=shown)
            files |= {f"{stem}.md": text, f"{stem}.html": page, f"{stem}.csv": table}
    return files


def _lines(stop: Stop) -> Iterator[Sequence[object]]:
    """Yield parts, the tasks of cases and the standard checks by step, and what is worth a look."""
    name = stop.house.id
    for part, count in stop.parts.items():
        yield "", "part", name, "", "", "", part, "", "", "", count, "", *_EMPTY
    if stop.changes_bags and not stop.leaking:
        yield "", "part", name, "", "", "", "bags", "", "", "", "as found", "", *_EMPTY
    for step in Step:
        for case in stop.jobs:
            place, urgency = case.subject, case.urgency.value if case.urgency else ""
            why, since = why_of(case), case.opened.isoformat()
            at = (place.compartment or "", place.row or "", place_of(place))
            for text in tasks(case, step):
                yield step, "task", name, *at, text, why, urgency, since, "", case.id, *_EMPTY
        for text in CHECKS[step]:
            yield step, "check", name, "", "", "", text, "", "", "", "", "", *_EMPTY
    for title, where, check in looks_of(stop):
        text = f"{title}: {check}"
        yield Step.VALVES, "look", name, "", "", where, text, "", "", "", "", "", *_EMPTY


def _bags(stop: Stop) -> Iterator[Sequence[object]]:
    for compartment, row in rows_of(stop):
        for position in range(1, (stop.house.bags_in(compartment, row) or 0) + 1):
            yield stop.house.id, compartment, row, position, "", ""
