"""The quick road over typed columns finds what the road over text finds, or leaves it to that."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.assemble import Assembled, assemble
from rowcall.take_in.line_index import LineIndex
from rowcall.take_in.table import Table
from rowcall.take_in.text_head import text_head
from rowcall.take_in.text_tables import text_tables
from rowcall.take_in.times import settle_order
from rowcall.take_in.typed_lines import read_typed

ZONE = ZoneInfo("Europe/Vienna")
HEADER = "tag;time;value;quality\n"

Damage = Callable[[list[str], random.Random], str]
DAMAGES: dict[str, Damage] = {
    "too short": lambda cells, rng: ";".join(cells[: rng.randrange(1, 4)]),
    "too long": lambda cells, rng: ";".join([*cells, "more"]),
    "blank": lambda cells, rng: rng.choice(("", "  ", ";;;", "\r")),
    "no time": lambda cells, rng: ";".join([cells[0], "when", *cells[2:]]),
    "padded time": lambda cells, rng: ";".join([cells[0], f" {cells[1].lower()} ", *cells[2:]]),
    "fraction of a second": lambda cells, rng: ";".join(cells).replace("Z", ".25Z"),
    "other offset": lambda cells, rng: ";".join(cells).replace("Z", "+02:00"),
    "no number": lambda cells, rng: ";".join([*cells[:2], rng.choice(("", "high", "Bad")), "Good"]),
    "grouped": lambda cells, rng: ";".join([*cells[:2], "1,234.5", "Good"]),
    "not finite": lambda cells, rng: ";".join([*cells[:2], rng.choice(("inf", "NaN")), "Good"]),
    "no tag": lambda cells, rng: ";".join(["", *cells[1:]]),
    "other sign": lambda cells, rng: ";".join(["Ofen-Überdruck µ", *cells[1:]]),
    "no quality": lambda cells, rng: ";".join([*cells[:3], rng.choice(("", "odd", "Bad"))]),
    "again": lambda cells, rng: ";".join([cells[0], "2026-03-02T00:00:00Z", "7", "Good"]),
}


def same(quick: Assembled, slow: Assembled) -> None:
    """Hold what the two roads make of a text against each other."""
    assert quick.batch.names == slow.batch.names
    for name in ("bounds", "time_us", "value", "quality"):
        np.testing.assert_array_equal(getattr(quick.batch, name), getattr(slow.batch, name))
    assert quick.set_aside.sort("line").equals(slow.set_aside.sort("line"))
    assert quick.rows_read == slow.rows_read
    assert quick.jump_lines.tolist() == slow.jump_lines.tolist()


def roads(text: str, month_first: bool = False) -> tuple[Table | None, Assembled, Assembled | None]:
    """Return the typed table, and what either road makes of a text."""
    pins, raw = TakeIn(day_first=False if month_first else None), text.encode()
    head, layout = text_head("day.csv", raw, pins)
    plain = next(text_tables("day.csv", [raw], head, layout.time))
    settled = replace(layout, form=settle_order(layout.time_cells(plain.frame), layout.form, ""))
    slow = assemble("day.csv", plain, settled, ZONE, pins.decimal)
    typed = read_typed("day.csv", raw, head, layout, pins.decimal)
    if typed is None:
        return None, slow, None
    return typed, slow, assemble("day.csv", typed, settled, ZONE, pins.decimal)


def lines(count: int) -> list[list[str]]:
    return [
        [
            f"BH1.T{number % 3}",
            f"2026-03-02T00:{number // 60 % 60:02d}:{number % 60:02d}Z",
            f"{number / 8}",
            "Good",
        ]
        for number in range(count)
    ]


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("what", [*DAMAGES, "all of these"])
def test_both_roads_agree(what: str, ending: str) -> None:
    rng = random.Random(what + ending)
    damages = list(DAMAGES.values()) if what == "all of these" else [DAMAGES[what]]
    rows = [";".join(cells) for cells in lines(3_000)]
    for place in rng.sample(range(250, 3_000), 120):
        rows[place] = rng.choice(damages)(rows[place].split(";"), rng)
    typed, slow, quick = roads(HEADER + ending.join(rows) + rng.choice(("", ending, 3 * ending)))
    assert typed is not None
    assert quick is not None
    same(quick, slow)


@pytest.mark.parametrize(
    ("form", "is_quick"),
    [
        ("%Y-%m-%dT%H:%M:%SZ", True),
        ("%Y-%m-%dT%H:%M:%S.250Z", True),
        ("%Y-%m-%d %H:%M:%S.000125", True),
        ("%Y-%m-%d %H:%M", True),
        ("%Y-%m-%dT%H:%M:%S+01:00", False),
        ("%d.%m.%Y %H:%M:%S", False),
        ("%m/%d/%Y %I:%M:%S %p", False),
        ("%Y-%m-%d %H:%M:%S,5", False),
        ("epoch", False),
        ("%Y-%m-%d;%H:%M:%S", False),
    ],
)
def test_both_roads_agree_on_every_form_of_time(form: str, is_quick: bool) -> None:
    start = datetime(2026, 10, 24, 22, 10, tzinfo=UTC)  # the clocks go back on the way
    instants = [start + number * timedelta(minutes=5) for number in range(3_000)]
    stamps = [f"{at.timestamp():.0f}" if form == "epoch" else at.strftime(form) for at in instants]
    rows = [f"BH1.T{number % 3};{stamp};{number};Good" for number, stamp in enumerate(stamps)]
    rows[1_000:1_003] = ["BH1.T0;when;1;Good", "BH1.T0;", rows[5]]
    header = HEADER.replace("time", "date;clock") if ";" in form else HEADER
    if ";" in form:
        rows[1_000] = "BH1.T0;when;12:00;1;Good"
    typed, slow, quick = roads(header + "\n".join(rows), form.startswith("%m"))
    assert typed is not None
    assert quick is not None
    assert (typed.frame["c1"].dtype == pl.Int64) is is_quick
    same(quick, slow)
    assert 2_900 < len(slow.batch) < slow.rows_read


def test_what_the_quick_road_cannot_tell_is_left_to_the_other() -> None:
    rows = [";".join(cells) for cells in lines(300)]
    cases = {
        "quotes": [*rows, '"BH1.T0";2026-03-02T01:00:00Z;1;Good'],
        "an empty field too many": [*rows, rows[0] + ";"],
        "one too many, one too few": [*rows[:-2], rows[-2] + ";", "BH1.T0;2026-03-02T01:00:00Z;1"],
        "mostly bad": [*rows[:250], *["BH1.T0;2026-03-02T01:00:00Z;Bad;Good"] * 2_001],
        "mostly short": [*rows[:250], *["BH1.T0"] * 2_001],
    }
    left = {name: roads(HEADER + "\n".join(case))[0] is None for name, case in cases.items()}
    assert left == dict.fromkeys(cases, True)


def test_a_decimal_comma_beside_points_is_asked_for_on_both_roads() -> None:
    rows = [";".join(cells) for cells in lines(300)]
    with pytest.raises(ExportError, match=r"take_in\.decimal"):
        roads(HEADER + "\n".join([*rows, "BH1.T0;2026-03-02T01:00:00Z;1,5;Good"]))


@pytest.mark.parametrize("again", [HEADER.rstrip("\n"), "point;time;reading;status"])
def test_a_second_header_is_left_to_the_other_road(again: str) -> None:
    rows = [";".join(cells) for cells in lines(300)]
    typed, slow, _ = roads(HEADER + "\n".join([*rows[:200], again, *rows[200:]]))
    assert typed is None
    assert len(slow.batch) < 300 or again == HEADER.rstrip("\n")


def test_many_rows_asked_for_come_as_few_do() -> None:
    rows = [";".join(cells) for cells in lines(5_000)]
    rows[400:400] = ["BH1.T0", ""]
    typed = roads(HEADER + "\n".join(rows))[0]
    assert typed is not None
    places = np.random.default_rng(1).permutation(5_000)
    many = typed.shown(places, range(4))
    few = [typed.shown(places[at : at + 50], range(4)) for at in range(0, 5_000, 50)]
    plain = rows[:400] + rows[402:]
    assert many.to_list() == [plain[place] for place in places]
    assert [text for part in few for text in part] == many.to_list()


def test_lines_are_found_at_the_edges_of_blocks() -> None:
    rng = random.Random(3)
    rows = ["x," * rng.choice((0, 1, 20, 9_000, 16_384, 40_000)) for _ in range(60)]
    raw = "skipped\n" + "\n".join(rows)
    index = LineIndex.of(raw.encode(), 8, len(raw), ",")
    assert index.count == 60
    assert index.delimiters == raw.count(",")
    assert index.lines(np.arange(60)) == rows
