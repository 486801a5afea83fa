"""Refusals are plain sentences: no words of a library, no steering signs, and not endless."""

from __future__ import annotations

import io
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from helpers.exports import START, aside, stored, taken
from hypothesis import example, given
from hypothesis import strategies as st

from rowcall.cli import main
from rowcall.errors import printable
from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.cells.overrides import edit, shown

LONGEST = 800  # characters, that a screen of 80 by 24 shows with room to spare; chosen
HOSTILE = "\x1b[31m\u202e" + "x" * 300
WIDE = "2026-03-02T05:00:00Z" + ";1" * 600 + "\n"


@pytest.mark.parametrize("pattern", ["%I%z", "%S", "%d.%m.%Y %3", "%Q %Y", "%Y %", "%d.%m.%Y %I"])
def test_a_pattern_that_is_none_is_refused_in_our_words(tmp_path: Path, pattern: str) -> None:
    pins = TakeIn(time_format=pattern)
    result = taken(tmp_path, "time;DP\n02.03.2026 05:00:00;1.5\n", pins=pins)
    assert result.outcome is Outcome.REFUSED
    assert result.message.startswith("day.csv: ")
    assert f'take_in.time_format = "{pattern}" in the site file is no pattern' in result.message


@pytest.mark.parametrize(
    "text",
    [
        f"tag;time;{HOSTILE}\nA;2026-03-02T05:00:00Z;1\n",
        f"time;{HOSTILE};{HOSTILE}\n2026-03-02T05:00:00Z;1;2\n",
        ";".join(["when", *[HOSTILE] * 600]) + "\n" + WIDE + WIDE,
        WIDE + WIDE,
        f"tag;time;value;quality\nA;2026-03-02T05:00:00Z;1;{HOSTILE}\n",
        f"tag;time;value\nA;2026-03-02T05:00:00Z;{HOSTILE}\n",
        f"time;DP\n{HOSTILE};1\n",
        f"time;{HOSTILE}\n03/02/2026 05:00:00;1\n",
    ],
)
def test_whatever_an_export_holds_its_refusal_can_be_read(tmp_path: Path, text: str) -> None:
    result = taken(tmp_path, text)
    assert result.outcome is Outcome.REFUSED
    assert result.message.isprintable()
    assert len(result.message) <= LONGEST
    assert result.message.endswith(".")


def test_a_file_name_does_not_steer_the_screen(tmp_path: Path) -> None:
    result = taken(tmp_path, "x", "day\x1b[31m.csv")
    assert result.message.startswith("day\\u001b[31m.csv: ")


def test_what_is_looked_at_does_not_steer_the_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "day.csv"
    path.write_text("time;a\x1b[31m\u202eb\n2026-03-02T05:00:00Z;1\n", encoding="utf-8")
    assert main(["look", str(path)]) == 0
    out = capsys.readouterr().out
    assert "a\\u001b[31m\\u202eb" in out
    assert all(line.isprintable() for line in out.splitlines())


@given(st.text(), st.integers(20, 80))
@example("\u202e" * 100, 40)
def test_a_shown_text_is_short_and_printable(text: str, longest: int) -> None:
    assert shown(text, longest).isprintable()
    assert len(shown(text, longest)) <= longest + 20


@given(st.text(max_size=60))
def test_what_is_made_printable_says_the_same(text: str) -> None:
    assert printable(text).isprintable()
    plain = text.replace("\\", "/")
    assert printable(plain).encode("latin-1", "backslashreplace").decode("unicode_escape") == plain


def test_an_edit_that_is_too_long_shows_its_beginning() -> None:
    told = edit("column_names", [f"column {number}" for number in range(500)])
    assert told.startswith('take_in.column_names = ["column 0", "column 1"')
    assert len(told) < 300


def test_types_are_named_without_what_is_in_them(tmp_path: Path) -> None:
    inner = {"a" * 200: 1.0, "b" * 200: 2.0}
    raw = io.BytesIO()
    pq.write_table(pa.table({"time": [START], "DP": [inner]}), raw)
    result = taken(tmp_path, raw.getvalue(), "day.parquet")
    assert "the column 'DP' holds struct instead of numbers" in result.message


def test_a_quote_in_an_odd_place_sets_its_line_aside(tmp_path: Path) -> None:
    """Together with a lone carriage return, at which the standard library's parser raises."""
    text = 'tag;time;value\nA;2026-03-02T05:00:00Z;1\nB"\r"x;2026-03-02T05:00:01Z;2\n'
    assert taken(tmp_path, text).outcome is Outcome.STORED
    assert "A" in [row[0] for row in stored(tmp_path)]
    assert len(stored(tmp_path)) + len(aside(tmp_path)) == 2
