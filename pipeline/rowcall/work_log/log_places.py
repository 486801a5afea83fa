"""Where something was done: the cells of a line against the baghouses of the site file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from difflib import get_close_matches

from rowcall.site import Baghouse, Site
from rowcall.site.baghouse import MAX_BAGS
from rowcall.site.subject import Subject
from rowcall.work_log.log_cells import read_numbers
from rowcall.work_log.log_table import Line
from rowcall.work_log.problem import Column, Problem, quoted

Place = tuple[Subject, int]  # with the position of a bag, 0 where none is named


def read_places(line: Line, site: Site, day: date) -> list[Place]:
    """Return every place that a line names, as of a plant-local day.

    Raises:
        Problem: the site file has no such place.
    """
    name = line.cell(Column.BAGHOUSE)
    houses = [_house(name, site)] if name else list(site.baghouse)
    numbered = (Column.COMPARTMENT, Column.ROW, Column.POSITION)
    compartments, rows, positions = (read_numbers(line.cell(one), one) for one in numbered)
    if not (compartments or rows or positions):
        return [(Subject(houses[0].id if name else ""), 0)]
    if len(houses) > 1:
        text = f"the cell is empty, so the place may lie in any of {_ids(site)}; name one."
        raise Problem(text, Column.BAGHOUSE)
    house = houses[0].on(day)
    if not compartments and house.compartments > 1:
        text = f"the cell is empty, and {house.id} has {house.compartments}; say which one."
        raise Problem(text, Column.COMPARTMENT)
    if positions and not rows:
        raise Problem("the cell is empty, so the position may lie in any row.", Column.ROW)
    compartments = compartments or (1,)
    _check(house, compartments, rows, positions)
    return [
        (Subject(house.id, compartment, row), position)
        for compartment in compartments
        for row in rows or (0,)
        for position in positions or (0,)
    ]


def _house(name: str, site: Site) -> Baghouse:
    """Return the baghouse of that id; its case matters only where two ids differ in it alone."""
    same = [house for house in site.baghouse if house.id.casefold() == name.casefold()]
    exact = [house for house in same if house.id == name]
    if exact or len(same) == 1:
        return (exact or same)[0]
    like = get_close_matches(name, [house.id for house in site.baghouse], n=1)
    meant = f"; is {like[0]} meant?" if like else "."
    text = f"{quoted(name)} is no baghouse of the site file{meant} Allowed are: {_ids(site)}."
    raise Problem(text, Column.BAGHOUSE)


def _ids(site: Site) -> str:
    return ", ".join(house.id for house in site.baghouse)


def _check(
    house: Baghouse, compartments: Sequence[int], rows: Sequence[int], positions: Sequence[int]
) -> None:
    _within(Column.COMPARTMENT, compartments, house.compartments, house.id)
    for compartment in compartments:
        where = f"compartment {compartment} of {house.id}"
        _within(Column.ROW, rows, house.rows[compartment - 1], where)
        for row in rows:
            last = house.bags_in(compartment, row) or MAX_BAGS
            _within(Column.POSITION, positions, last, f"row {row} of {where}")


def _within(column: Column, numbers: Sequence[int], last: int, where: str) -> None:
    if over := [str(number) for number in numbers if number > last]:
        allowed = f"are 1 to {last}" if last > 1 else "is 1"
        text = f"{where} has no {column} {', '.join(over[:5])}; allowed {allowed}."
        raise Problem(text, column)
