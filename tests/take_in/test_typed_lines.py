"""The quick road over typed columns finds what the road over text finds, or leaves it to that."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from helpers.long_exports import taken

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.cells.timestamps import Bounds, settle_order
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.sources import pieces_of
from rowcall.take_in.load.assemble import Assembled, assemble
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.load.pieced import assemble_pieces
from rowcall.take_in.read.beginning import begin_text, text_blocks
from rowcall.take_in.read.line_index import LineIndex
from rowcall.take_in.read.text_tables import text_tables
from rowcall.take_in.read.typed_lines import text_rows
from rowcall.take_in.sniff.text_head import text_head

ZONE = ZoneInfo("Europe/Vienna")
HEADER = "tag;time;value;quality\n"

Read = Callable[[str, TakeIn], Assembled | None]
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


@pytest.fixture(params=[6_000, 2**20])
def block_bytes(request: pytest.FixtureRequest) -> int:
    """Return about how many bytes of a text are read at a time."""
    return int(request.param)


@pytest.fixture
def read(block_bytes: int, tmp_path: Path) -> Iterator[Read]:
    """Read a text on the quick road."""
    path = tmp_path / "day.csv"
    with ThreadPoolExecutor(max_workers=2) as pool:

        def quickly(text: str, pins: TakeIn) -> Assembled | None:
            path.write_bytes(text.encode())
            (piece,) = pieces_of(path, path.name, 2**30)
            held = Content(pool, piece, block_bytes)
            begun = begin_text(path.name, held, pins, pool)
            try:
                if begun is None:
                    return None
                again = partial(text_blocks, held)
                return assemble_pieces(path.name, begun, pool, again, ZONE, Bounds(), pins.decimal)
            finally:
                if begun is not None:
                    begun.close()
                held.close()

        yield quickly


def slowly(text: str, pins: TakeIn) -> Assembled:
    """Read a text on the road over text."""
    raw = text.encode()
    head, layout = text_head("day.csv", raw, pins)
    plain = next(text_tables("day.csv", [raw], head, layout.time))
    form = settle_order(layout.time_cells(plain.frame), layout.form, "")
    return assemble("day.csv", plain, replace(layout, form=form), ZONE, pins.decimal)


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
def test_both_roads_agree(read: Read, what: str, ending: str) -> None:
    rng = random.Random(what + ending)
    damages = list(DAMAGES.values()) if what == "all of these" else [DAMAGES[what]]
    rows = [";".join(cells) for cells in lines(3_000)]
    for place in rng.sample(range(250, 3_000), 120):
        rows[place] = rng.choice(damages)(rows[place].split(";"), rng)
    text = HEADER + ending.join(rows) + rng.choice(("", ending, 3 * ending))
    quick = read(text, TakeIn())
    assert quick is not None
    same(quick, slowly(text, TakeIn()))


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%dT%H:%M:%SZ",
        "%Y-%m-%dT%H:%M:%S.250Z",
        "%Y-%m-%d %H:%M:%S.000125",
        "%Y-%m-%d %H:%M",
        "%Y-%m-%dT%H:%M:%S+01:00",
        "%d.%m.%Y %H:%M:%S",
        "%m/%d/%Y %I:%M:%S %p",
        "%Y-%m-%d %H:%M:%S,5",
        "epoch",
        "%Y-%m-%d;%H:%M:%S",
    ],
)
def test_both_roads_agree_on_every_form_of_time(read: Read, form: str) -> None:
    """Also in the night when the clocks go back."""
    start = datetime(2026, 10, 24, 22, 10, tzinfo=UTC)
    instants = [start + number * timedelta(minutes=5) for number in range(3_000)]
    stamps = [f"{at.timestamp():.0f}" if form == "epoch" else at.strftime(form) for at in instants]
    rows = [f"BH1.T{number % 3};{stamp};{number};Good" for number, stamp in enumerate(stamps)]
    rows[1_000:1_003] = ["BH1.T0;when;1;Good", "BH1.T0;", rows[5]]
    header = HEADER.replace("time", "date;clock") if ";" in form else HEADER
    if ";" in form:
        rows[1_000] = "BH1.T0;when;12:00;1;Good"
    text = header + "\n".join(rows)
    quick, slow = read(text, TakeIn()), slowly(text, TakeIn())
    assert quick is not None
    same(quick, slow)
    assert 2_900 < len(slow.batch) < slow.rows_read


@pytest.mark.parametrize("order", ["as written", "newest first", "mixed"])
def test_both_roads_agree_where_wall_times_double_and_rows_are_in_any_order(
    read: Read, order: str
) -> None:
    start = datetime(2026, 10, 24, 23, 30, tzinfo=UTC)
    instants = [start + number * timedelta(seconds=20) for number in range(700)]
    rows = [
        f"BH1.T{tag};{at.astimezone(ZONE):%Y-%m-%d %H:%M:%S};{number};Good"
        for number, at in enumerate(instants)
        for tag in range(2)
    ]
    if order == "newest first":
        rows.reverse()
    if order == "mixed":
        random.Random(4).shuffle(rows)
    rows[40] += " "
    rows[700:700] = ["BH1.T0;2026-10-25 02:30;high;Good", "BH1.T1; 2026-10-25 02:31:07;1;Good"]
    text = HEADER + "\n".join(rows)
    quick, slow = read(text, TakeIn()), slowly(text, TakeIn())
    assert quick is not None
    same(quick, slow)


@pytest.mark.parametrize(
    "words",
    [
        ["Good", "Bad", "Uncertain"],
        ["192", "64", "0"],
        ["0", "2147483648", "1073741824"],
        ["192", "0", "Bad"],
    ],
)
def test_both_roads_agree_on_qualities(read: Read, words: list[str]) -> None:
    """Numbers that only the whole file tells apart go the road over text."""
    rows = [";".join([*cells[:3], words[0]]) for cells in lines(900)]
    for place in range(600, 900, 7):
        rows[place] = ";".join([*lines(900)[place][:3], words[place % len(words)]])
    text = HEADER + "\n".join(rows)
    quick = read(text, TakeIn())
    if quick is not None:
        same(quick, slowly(text, TakeIn()))
    else:
        assert words[0].isdigit()


@pytest.mark.parametrize("pins", [TakeIn(decimal=".")])
def test_both_roads_agree_on_what_the_site_file_says(read: Read, pins: TakeIn) -> None:
    rows = [";".join(cells) for cells in lines(900)]
    rows[300:300] = ["BH1.T0;2026-03-02T00:00:01Z;1,5;Good", "BH1.T0;2026-03-02T00:00:01Z;5 %;Good"]
    text = HEADER + "\n".join(rows)
    quick = read(text, pins)
    if quick is not None:
        same(quick, slowly(text, pins))


def test_what_the_quick_road_cannot_tell_is_left_to_the_other(read: Read) -> None:
    rows = [";".join(cells) for cells in lines(300)]
    cases = {
        "quotes": [*rows, '"BH1.T0";2026-03-02T01:00:00Z;1;Good'],
        "an empty field too many": [*rows, rows[0] + ";"],
        "one too many, one too few": [*rows[:-2], rows[-2] + ";", "BH1.T0;2026-03-02T01:00:00Z;1"],
        "decimal commas": [row.replace(".5;", ",5;") for row in rows],
        "a zero byte": [*rows, "\0"],
        "percentages": [*rows[:250], "BH1.T0;2026-03-02T01:00:00Z;5 %;Good"],
    }
    left = {name: read(HEADER + "\n".join(case), TakeIn()) is None for name, case in cases.items()}
    assert left == dict.fromkeys(cases, True)


def test_a_block_of_doubts_is_left_to_the_other_road(read: Read, block_bytes: int) -> None:
    rows = [";".join(cells) for cells in lines(300)]
    for odd in ("BH1.T0;2026-03-02T01:00:00Z;Bad;Good", "BH1.T0"):
        for many in (2_000, 2_001):
            text = HEADER + "\n".join([*rows[:250], *[odd] * many])
            quick = read(text, TakeIn())
            assert (quick is None) is (many > 2_000 and len(text) < block_bytes)
            if quick is not None:
                same(quick, slowly(text, TakeIn()))


def test_a_decimal_comma_beside_points_is_asked_for(read: Read) -> None:
    rows = [";".join(cells) for cells in lines(300)]
    text = HEADER + "\n".join([*rows, "BH1.T0;2026-03-02T01:00:00Z;1,5;Good"])
    assert read(text, TakeIn()) is None  # and so comes to the other road, which asks
    with pytest.raises(ExportError, match=r"take_in\.decimal"):
        slowly(text, TakeIn())


@pytest.mark.parametrize("again", [HEADER.rstrip("\n"), "point;time;reading;status"])
def test_a_second_header_is_left_to_the_other_road(read: Read, again: str) -> None:
    rows = [";".join(cells) for cells in lines(300)]
    text = HEADER + "\n".join([*rows[:200], again, *rows[200:]])
    assert read(text, TakeIn()) is None
    assert len(slowly(text, TakeIn()).batch) < 300 or again == HEADER.rstrip("\n")


def test_many_rows_asked_for_come_as_few_do() -> None:
    rows = [";".join(cells) for cells in lines(5_000)]
    raw = (HEADER + "\n".join(rows)).encode()
    head, _ = text_head("day.csv", raw, TakeIn())
    places = np.random.default_rng(1).permutation(5_000)
    many = text_rows(raw, head, 1, places + 2)
    few = [text_rows(raw, head, 1, places[at : at + 50] + 2) for at in range(0, 5_000, 50)]
    shown = many.shown(np.arange(5_000), range(4)).to_list()
    assert shown == [rows[place] for place in places]
    assert [text for part in few for text in part.shown(np.arange(50), range(4))] == shown


def test_lines_are_found_at_the_edges_of_blocks() -> None:
    rng = random.Random(3)
    rows = ["x," * rng.choice((0, 1, 20, 9_000, 16_384, 40_000)) for _ in range(60)]
    raw = "skipped\n" + "\n".join(rows)
    index = LineIndex.of(raw.encode(), 8, len(raw), ",")
    assert index.count == 60
    assert index.delimiters == raw.count(",")
    assert index.lines(np.arange(60)) == rows


@pytest.mark.parametrize(
    ("odd", "outcome"),
    [
        ('"BH1.T0";2026-03-02T01:00:00Z;1;Good', Outcome.STORED),  # seen where the text is cut
        ("BH1.T0;2026-03-02T01:00:00Z;1;Good;", Outcome.STORED),  # seen where lines are counted
        ("BH1.T0;2026-03-02T01:00:00Z;1,5;Good", Outcome.REFUSED),  # seen at the end
    ],
)
def test_a_road_that_is_given_up_amid_many_blocks_ends(
    tmp_path: Path, odd: str, outcome: Outcome
) -> None:
    """The threads that bring what nobody takes any more have to end too."""
    rows = [";".join(cells) for cells in lines(3_000)]
    path = tmp_path / "day.csv"
    path.write_text(HEADER + "\n".join([*rows[:900], odd, *rows[900:]]))
    result, samples, _ = taken(tmp_path, path, Memory(block_bytes=1_000))
    assert result.outcome is outcome
    assert (len(samples) >= 3_000) is (outcome is Outcome.STORED)
