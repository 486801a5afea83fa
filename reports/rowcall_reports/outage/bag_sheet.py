"""The bag-change sheet: where, how, and which position got which bag.

Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from rowcall_reports import wording
from rowcall_reports.outage.outage_sheet import FOUND, tick
from rowcall_reports.outage.stop import Stop, place_of

_BEFORE = (
    "Locked out, bled, cooled down, air tested: the outage sheet comes first.",
    "Bags of the right media, length and batch; a list of who got which.",
    "Positions marked at the tube sheet before any bag comes out.",
)
_OUT = (
    "Old cages and bags out; bag, cage and seat looked at together: where is the hole, and what "
    "touches it there?",
    "One old bag, dust on it, to a laboratory, with its position.",
    "Holes of the tube sheet free of burrs and build-up, round, no cracks.",
    "Nozzles of the blowpipe round, not worn oval, over the middle of the hole.",
)
_IN = (
    "Membrane bags guarded from every edge on the way in; no dragging, no tools in the bag.",
    "Snap band seated all round its hole: pressed in, felt all round with the hand.",
    "Bag hangs straight, its seam where the maker wants it.",
    "Cages without bent or broken wires and rust; others scrapped, not bent back.",
    "Cages lowered by hand, never dropped.",
    "Blowpipes back, fixed, each nozzle over its bag.",
    "Positions, batch, and failed or healthy of each old bag entered in the work log; leak or dye "
    "test as of the return-to-service sheet.",
)


def write_bag_change(stop: Stop) -> str:
    """Return the sheet as Markdown, '' where no bags are to be changed."""
    if not stop.changes_bags:
        return ""
    parts = [
        f"# Bag change: {stop.name}",
        f"As of {wording.long_day(stop.day)}. Everything below needs the unit isolated.",
        "## Where",
        "\n".join(_where(stop)),
    ]
    for title, lines in {"Before": _BEFORE, "Out": _OUT, "In": _IN}.items():
        parts += [f"## {title}", "\n".join(map(tick, lines)), FOUND]
    parts += ["## Positions", "Tick each position that got a new bag.", "\n".join(_positions(stop))]
    return "\n\n".join(parts) + "\n"


def _where(stop: Stop) -> Iterator[str]:
    for entry in stop.leaking:
        day = wording.day_in_sentence(entry.day, stop.day)
        result = f" ({wording.escape(entry.result)})" if entry.result else ""
        yield tick(
            f"**{place_of(entry.subject)}, position {entry.position}:** {entry.work.value} "
            f"{day}{result}"
        )
    for case in stop.jobs:
        if case.family == "cloth":
            yield tick(
                f"**{place_of(case.subject)}:** {wording.escape(case.title)}, since "
                f"{wording.day_in_sentence(case.opened, stop.day)}; which bags, the look inside "
                "and a laboratory say"
            )


def rows_of(stop: Stop) -> list[tuple[int, int]]:
    """Return (compartment, row) of the rows whose bags may be changed."""
    named = [
        (case.subject.compartment, case.subject.row) for case in stop.jobs if case.family == "cloth"
    ]
    named += [(entry.subject.compartment, entry.subject.row) for entry in stop.leaking]
    return [
        (compartment, row)
        for compartment, row in stop.house.all_rows()
        if any(c in (0, compartment) and r in (0, row) for c, r in named)
    ]


def _positions(stop: Stop) -> Iterator[str]:
    for compartment, row in rows_of(stop):
        n_bags = stop.house.bags_in(compartment, row)
        boxes = (
            "  ".join(f"{n} [ ]" for n in range(1, n_bags + 1))
            if n_bags
            else "positions \\_\\_\\_\\_\\_\\_\\_\\_\\_\\_"
        )
        yield f"- **Compartment {compartment}, row {row}:** {boxes}  Batch \\_\\_\\_\\_\\_\\_\\_\\_"
