"""No cell of a CSV is a formula to a spreadsheet, and every text can be had back."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowcall.csv_text import cell_of, text_of, to_csv

# OWASP, "CSV Injection"; the apostrophe tries the way back, digits the plain numbers.
SIGNS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
TEXTS = st.text(st.characters(codec="utf-8") | st.sampled_from(SIGNS + "' 1.,e"), max_size=12)


def read(table: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(table, newline="")))


@pytest.mark.parametrize(
    "text",
    [
        "=1+1", "+cmd|x", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "=", "-", "\n=1", "  =1", "\uff1d1+1",
        "\t1", "'=1", "''-x", "-1\n", "-,",
    ],
)  # fmt: skip
def test_texts_like_formulas_are_made_harmless(text: str) -> None:
    assert cell_of(text) == "'" + text


@pytest.mark.parametrize("text", ["-1.5", "+3", "-1,5e-3", "-.5", "DP", "", "1=1", "'DP'", "1-2"])
def test_numbers_and_other_texts_stay_as_they_are(text: str) -> None:
    assert cell_of(text) == text


@given(TEXTS)
def test_no_cell_begins_as_a_formula_save_a_plain_number(text: str) -> None:
    cell = cell_of(text)
    assert cell in (text, "'" + text)
    if cell.lstrip()[:1] in tuple(SIGNS) or cell[:1] in tuple(SIGNS):
        assert float(cell.replace(",", "").replace(".", "") or "x") is not None
        assert cell == text


@given(st.lists(st.tuples(TEXTS, TEXTS), max_size=4))
def test_every_text_comes_back(lines: list[tuple[str, str]]) -> None:
    _, *cells = read(to_csv(("one", "other"), lines))
    assert [tuple(map(text_of, line)) for line in cells] == lines
