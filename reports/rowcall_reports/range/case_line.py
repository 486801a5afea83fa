"""The cases of a range on a time line: a table and a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from rowcall.model import PRESSING, Case, Check, Repair, Urgency
from rowcall_reports import wording
from rowcall_reports.actions import places_of
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.range.trends import MIN_DAYS, label_days

_MAX_BARS = 40  # chosen: what fits on a page
# Chosen by eye: the name of a case stands above its bar, as a phone is too narrow for both.
_LINE_IN, _SIDE_IN, _AROUND_IN, _NAME_PT = 0.36, 0.25, 0.75, 8.0
_COLORS: Mapping[Urgency | None, canvas.Color] = {
    Urgency.NOW: canvas.RUST,
    Urgency.NEXT_OUTAGE: canvas.BLUE,
    Urgency.WATCH: canvas.PALE_INK,
    None: canvas.PALE_INK,
}
# What the data say of a repair: its marker, and the words of the table.
_REPAIRS = {
    Check.VERIFIED: ("^", "helped"),
    Check.CONTRADICTED: ("v", "did not help"),
    Check.WAITING: ("d", "not yet seen"),
}


def in_order(cases: Sequence[Case], found: Mapping[str, Sequence[date]]) -> list[Case]:
    """Return the cases that were found in the range, the most pressing first, then by place."""
    known = (case for case in cases if case.id in found)
    return sorted(known, key=lambda one: (PRESSING.index(one.urgency), one.subject, one.opened))


def write_cases(cases: Sequence[Case], found: Mapping[str, Sequence[date]]) -> str:
    """Return what was found as a table, the urgency that of the last day on which it was found."""
    lines = [
        [
            wording.escape(f"{case.subject.baghouse}, {places_of([case.subject])}"),
            wording.escape(case.title),
            case.urgency.value if case.urgency else wording.NO_VALUE,
            case.opened.isoformat(),
            found[case.id][-1].isoformat(),
            str(len(found[case.id])),
            case.state.value,
            wording.escape(case.number or wording.NO_VALUE),
            "; ".join(_repair(repair) for repair in case.repairs),
        ]
        for case in cases
    ]
    head = ["Where", "What", "When to act", "Since", "Last found", "Days found", "At the end"]
    return wording.table([*head, "Last number", "Repairs"], lines, right=(5,)) if lines else ""


def draw_cases(
    cases: Sequence[Case], found: Mapping[str, Sequence[date]], span: tuple[date, date], kind: str
) -> Picture | None:
    """Return a bar a case on the days on which it was found; None for too short a range."""
    shown = cases[:_MAX_BARS]
    if (span[1] - span[0]).days + 1 < MIN_DAYS or not shown:
        return None
    height = _LINE_IN * len(shown)
    figure = canvas.new_sheet(canvas.PAGE_IN, height + _AROUND_IN)
    axes = canvas.place_axes(figure, _SIDE_IN, 0.4, canvas.PAGE_IN - 2 * _SIDE_IN, height)
    place = axes.get_yaxis_transform()
    for n, case in enumerate(shown):
        bars = [((day - span[0]).days - 0.5, 1.0) for day in found[case.id]]
        axes.broken_barh(bars, (n, 0.4), facecolors=[_COLORS[case.urgency]])
        axes.text(0.01, n - 0.25, _label(case), transform=place, va="center", size=_NAME_PT)
        for repair in case.repairs:
            if span[0] <= repair.entry.day <= span[1]:
                at = (repair.entry.day - span[0]).days
                axes.plot(
                    [at], [n + 0.2], _REPAIRS[repair.check][0], color=canvas.INK, markersize=6
                )
    axes.set_ylim(len(shown) - 0.5, -0.6)
    axes.set_yticks([])
    canvas.write_title(axes, "Days on which each case was found")
    label_days(axes, span)
    more = f" {len(cases) - len(shown)} more are in the table." if len(cases) > len(shown) else ""
    return Picture(
        picture_name(kind, "cases"),
        canvas.to_png(figure),
        f"Time line of {wording.count(len(cases), 'case')}.",
        "Red: now; blue: next outage; grey: watch. Triangles: repairs by the work log, pointing up "
        f"where they helped, down where they did not; diamonds: not yet seen.{more}",
    )


def _repair(repair: Repair) -> str:
    return f"{repair.entry.work} {repair.entry.day}: {_REPAIRS[repair.check][1]}"


def _label(case: Case) -> str:
    return f"{case.subject.code} {case.title}"[:44]
