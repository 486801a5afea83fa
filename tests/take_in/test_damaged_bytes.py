"""Text that is UTF-8 but for some bytes, and text of a code page."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.exports import NOW, aside, counts, plant_site, store_of, stored, taken

from rowcall.site import TakeIn
from rowcall.take_in import Outcome, take_in
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read.text_tables import DAMAGED


def long_rows(tag: str, count: int) -> str:
    lines = [f"{tag};2026-03-02T05:00:{number:02d}Z;{number}.5\n" for number in range(count)]
    return "tag;time;value\n" + "".join(lines)


@pytest.mark.parametrize("pins", [TakeIn(), TakeIn(encoding="utf-8")])
@pytest.mark.parametrize("junk", [b"\xff", b"\xc3", b"\xe4\xf6\xfc", b"\xed\xa0\x80"])
def test_a_damaged_byte_costs_its_line_alone(tmp_path: Path, pins: TakeIn, junk: bytes) -> None:
    lines = long_rows("Öfen °C", 10).encode().splitlines(keepends=True)
    lines[4] = lines[4].replace(b"fen", junk)
    lines[9] = lines[9].replace(b"8.5", junk + b"8.5")
    result = taken(tmp_path, b"".join(lines), pins=pins)
    assert counts(result) == (10, 8, 0, 0, 2)
    assert {row[0] for row in stored(tmp_path)} == {"Öfen °C"}
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [(5, DAMAGED), (10, DAMAGED)]
    assert "\ufffd" in aside(tmp_path)[0][2]


def test_names_alone_tell_that_a_wide_export_is_utf8(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-02T05:00:{number:02d}Z;{number}.5\n" for number in range(10))
    lines = f"time;Öfen\n{rows}".encode().splitlines(keepends=True)
    for number in (2, 5, 9):
        lines[number] = b"\xff" + lines[number]
    taken(tmp_path, b"".join(lines))
    assert [row[0] for row in stored(tmp_path)] == ["Öfen"] * 7
    assert [row[3] for row in aside(tmp_path)] == [DAMAGED] * 3


def test_a_byte_that_the_pinned_utf8_has_not_costs_its_line(tmp_path: Path) -> None:
    pins = TakeIn(encoding="utf-8")
    taken(tmp_path, long_rows("A", 5).encode() + b"\xffB;2026-03-02T05:01:00Z;1\n", pins=pins)
    assert [row[0] for row in stored(tmp_path)] == ["A"] * 5
    assert [row[3] for row in aside(tmp_path)] == [DAMAGED]


def test_a_code_page_is_refused_where_utf8_is_pinned(tmp_path: Path) -> None:
    text = long_rows("Öfen", 40).encode("cp1252")
    result = taken(tmp_path, text, pins=TakeIn(encoding="utf-8"))
    assert "the utf-8 text is damaged in 40 places" in result.message
    assert 'take_in.encoding = "cp1252"' in result.message


def test_a_letter_cut_off_at_the_end_costs_the_last_line(tmp_path: Path) -> None:
    taken(tmp_path, long_rows("Öfen", 5).encode() + "Ö".encode()[:1])
    assert len(stored(tmp_path)) == 5
    assert len(aside(tmp_path)) == 1


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-16"])
@pytest.mark.parametrize("memory", [None, Memory(whole_bytes=100, block_bytes=400)])
def test_utf16_out_of_step_is_refused(tmp_path: Path, encoding: str, memory: Memory | None) -> None:
    raw = long_rows("A", 30).encode(encoding)
    path = tmp_path / "day.csv"
    path.write_bytes(raw[:700] + b"\x41" + raw[700:])
    with store_of(tmp_path) as store:
        (result,) = take_in(
            store, plant_site(), [path], now=NOW, progress=lambda text: None, memory=memory
        )
    assert result.outcome is Outcome.REFUSED
    assert result.message.startswith("day.csv: the UTF-16 text is damaged")


def test_names_in_a_code_page_are_read_in_it(tmp_path: Path) -> None:
    taken(tmp_path, long_rows("Öfen °C", 5).encode("cp1252"))
    assert {row[0] for row in stored(tmp_path)} == {"Öfen °C"}
    assert aside(tmp_path) == []


def test_two_letters_that_happen_to_be_utf8_do_not_make_a_code_page_utf8(tmp_path: Path) -> None:
    text = long_rows("Öfen °C", 30).encode("cp1252") + "Ã¼;2026-03-02T05:01:00Z;1\n".encode(
        "cp1252"
    )
    taken(tmp_path, text)
    assert {row[0] for row in stored(tmp_path)} == {"Öfen °C", "Ã¼"}


def test_text_that_is_both_is_asked_for(tmp_path: Path) -> None:
    text = long_rows("Öfen", 4).encode() + long_rows("Öfen °C", 9).encode("cp1252")
    result = taken(tmp_path, text)
    assert result.outcome is Outcome.REFUSED
    assert "4 are UTF-8 and 18 are not" in result.message
    assert 'take_in.encoding = "cp1252"' in result.message


def test_damaged_column_names_are_refused_by_line(tmp_path: Path) -> None:
    text = "title\ntime;Öfen;°C;D\udcff\n2026-03-02T05:00:00Z;1;2;3\n"
    result = taken(tmp_path, text.encode("utf-8", "surrogateescape"))
    assert result.outcome is Outcome.REFUSED
    assert "line 2 names the columns" in result.message
    assert "take_in.encoding" in result.message
