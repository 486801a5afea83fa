"""However the blocks of a text fall, it is read alike: what lies in another block decides too."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from itertools import cycle
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from helpers.exports import store_of
from helpers.long_exports import Taken, taken_into

from rowcall.take_in import Outcome
from rowcall.take_in.load.memory import Memory

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


def read(folder: Path, text: str, sizes: Sequence[int] = (3_000, 12_000)) -> Taken:
    """Return what becomes of a text, once seen that blocks of some sizes make no difference."""
    path = folder / "day.csv"
    path.write_bytes(text.encode())
    with store_of(folder / "whole") as store:
        whole = taken_into(store, path, None)
    for block_bytes in sizes:
        with store_of(folder / f"{block_bytes}") as store:
            assert taken_into(store, path, Memory(block_bytes=block_bytes)) == whole
    return whole


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


@pytest.mark.parametrize(
    ("what", "ending"),
    [
        *zip(DAMAGES, cycle(("\n", "\r\n"))),
        ("blank", "\r\n"),
        ("all of these", "\n"),
        ("all of these", "\r\n"),
    ],
)
def test_damaged_lines(tmp_path: Path, what: str, ending: str) -> None:
    rng = random.Random(what + ending)
    damages = [DAMAGES[what]] if what in DAMAGES else list(DAMAGES.values())
    rows = [";".join(cells) for cells in lines(600)]
    for place in rng.sample(range(250, 600), 40):
        rows[place] = rng.choice(damages)(rows[place].split(";"), rng)
    sizes = (3_000,) if what in DAMAGES else (3_000, 12_000)
    text = HEADER + ending.join(rows) + rng.choice(("", ending))
    result, samples, _ = read(tmp_path, text, sizes)
    assert result.outcome is Outcome.STORED
    assert len(samples) > 470


@pytest.mark.parametrize(
    "form",
    [
        "%Y-%m-%dT%H:%M:%S.250Z",
        "%Y-%m-%d %H:%M",
        "%d.%m.%Y %H:%M:%S",
        "%m/%d/%Y %I:%M:%S %p",
        "epoch",
        "%Y-%m-%d;%H:%M:%S",
    ],
)
def test_every_form_of_time_also_where_the_clocks_go_back(tmp_path: Path, form: str) -> None:
    start = datetime(2026, 10, 24, 18, 10, tzinfo=UTC)
    instants = [start + number * timedelta(minutes=2) for number in range(450)]
    own = UTC if form == "epoch" or "Z" in form else ZONE
    local = [at.astimezone(own) for at in instants]
    stamps = [f"{at.timestamp():.0f}" if form == "epoch" else at.strftime(form) for at in local]
    header = HEADER.replace("time", "date;clock") if ";" in form else HEADER
    rows = [f"BH1.T0;{stamp};{number};Good" for number, stamp in enumerate(stamps)]
    result, samples, _ = read(tmp_path, header + "\n".join(rows))
    assert result.outcome is Outcome.STORED
    assert len(samples) == 450


def test_a_column_is_of_percentages_only_where_no_block_holds_a_plain_number(
    tmp_path: Path,
) -> None:
    share = [f"BH1.T0;2026-03-02T01:{n // 60:02d}:{n % 60:02d}Z;{n} %;Good" for n in range(300)]
    _, samples, _ = read(tmp_path, HEADER + "\n".join(share))
    assert len(samples) == 300
    plain = "BH1.T0;2026-03-02T02:00:00Z;5;Good"
    (tmp_path / "mixed").mkdir()
    _, samples, _ = read(tmp_path / "mixed", HEADER + "\n".join([*share, plain]))
    assert len(samples) == 1


@pytest.mark.parametrize(
    ("odd", "outcome"),
    [
        ('"BH1.T0";2026-03-02T01:00:00Z;1;Good', Outcome.STORED),
        ("BH1.T0;2026-03-02T01:00:00Z;1;Good;", Outcome.STORED),
        ("BH1.T0;2026-03-02T01:00:00Z;1,5;Good", Outcome.REFUSED),
    ],
)
def test_an_odd_line_amid_many_blocks(tmp_path: Path, odd: str, outcome: Outcome) -> None:
    rows = [";".join(cells) for cells in lines(600)]
    result, samples, _ = read(tmp_path, HEADER + "\n".join([*rows[:500], odd, *rows[500:]]))
    assert result.outcome is outcome
    assert (len(samples) >= 600) is (outcome is Outcome.STORED)


def test_rows_around_the_doubled_hour_of_another_block_tell_its_passes_apart(
    tmp_path: Path,
) -> None:
    """The row that shows which pass it is may be hours away: the last before, or the next after."""
    passes = []
    for number, (walls, odd) in enumerate(
        [
            (["2026-10-24 20:00:00", "2026-10-25 02:30:00"], "2026-10-25 00:30:00+00:00"),
            (["2026-10-25 02:30:00", "2026-10-25 12:00:00"], "2026-10-25 01:30:00+00:00"),
        ]
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        filled = [f"BH1.T1;2026-03-02 05:{n // 60:02d}:{n % 60:02d};1;Good" for n in range(300)]
        rows = [f"BH1.T0;{wall};1;Good" for wall in walls]
        _, samples, _ = read(folder, HEADER + "\n".join([rows[0], *filled, rows[1]]))
        instant = datetime.fromisoformat(odd).replace(tzinfo=None)
        passes.append(any(instant in row for row in samples))
    assert passes == [True, True]
