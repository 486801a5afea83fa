"""The printed reference: complete by the models and tables of the code, and true to its readers."""

from __future__ import annotations

import re
import tomllib
from datetime import UTC, date, datetime
from math import isnan
from pathlib import Path
from typing import Annotated

import polars as pl
import pytest
from helpers.site_texts import FULL

from rowcall.cli import main
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Work
from rowcall.reference.chapters import PARTS
from rowcall.reference.site_keys import tables_of
from rowcall.site import Site
from rowcall.site.toml_table import Pressure, Table, between
from rowcall.site_file import read_site
from rowcall.take_in.cells.numbers import Cell, values_of
from rowcall.take_in.cells.time_formats import given_form, swapped, time_form
from rowcall.take_in.cells.timestamps import is_usable, parse_times
from rowcall.work_log.bag_outcome import Outcome
from rowcall.work_log.problem import Column
from rowcall.work_log.read_log import parse_work_log
from rowcall_reports.tables.day_files import TABLES


def chapter(part: str, heading: str) -> str:
    """Return what stands below a heading, up to the next of its kind."""
    text = PARTS[part].text()
    assert f"\n## {heading}\n" in text
    return text.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def forms(part: str, heading: str) -> list[str]:
    """Return what the first column of the first table of a chapter has as code."""
    rows = re.findall(r"^\| (.+?) \|", chapter(part, heading), flags=re.M)[2:]
    return [form for row in rows for form in re.findall(r"`([^`]+)`", row)]


@pytest.mark.parametrize("part", PARTS)
def test_every_part_is_printed(part: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", part]) == 0
    assert capsys.readouterr().out == PARTS[part].text() + "\n"


def test_without_a_part_all_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference"]) == 0
    printed = capsys.readouterr().out
    assert all(part.text() in printed for part in PARTS.values())


def test_every_key_of_the_site_file_has_its_meaning_beside_it() -> None:
    """A docstring below the key, in its model; see `rowcall.reference.attribute_docs`."""
    tables = list(tables_of())
    assert [
        f"{one.heading} {key.name}" for one in tables for key in one.keys if not key.meaning
    ] == []
    assert [one.heading for one in tables if not one.about] == []


def test_every_key_that_is_read_stands_in_the_reference() -> None:
    """Against the schema that pydantic makes of the same models."""
    schema = Site.model_json_schema()
    of_tables = [one["properties"] for one in schema["$defs"].values() if "properties" in one]
    read = [key for properties in (schema["properties"], *of_tables) for key in properties]
    read.remove("base")  # the folder of the site file, which is no key of it
    printed = chapter("site-file", "Tables and keys")
    named = re.findall(r"^\| `(\w+)` \|", printed, flags=re.M)
    named += re.findall(r"(\w+)\]+`$", printed, flags=re.M)
    assert sorted(named) == sorted(read)
    assert {"time_zone", "from", "range", "mode", "files", "rules", "tag"} <= set(named)


def test_keys_show_unit_range_default_and_words() -> None:
    printed = chapter("site-file", "Tables and keys")
    for row in (
        '| `start_dp` | pressure, `50 Pa` to `10 kPa` | `"4 [in_i\'H2O]"` |',
        '| `max_size` | size, in KiB, MiB or GiB | `"1 MiB"` |',
        '| `security` | `"starttls"` or `"tls"` | `"starttls"` |',
        "| `port` | whole number, at least 1, at most 65535 | `587` |",
        "| `compartments` | whole number, at least 1, at most 99 | must be given |",
        "| `login` | `true` or `false` | `true` |",
        "| `valid_from` | date |  |",
    ):
        assert row in printed


class Odd(Table):
    """A table with a key that nobody described."""

    plain: int
    low: Annotated[Pressure, between("1 bar", "2 bar")] | None = None
    """Its meaning, on
    two lines."""


class Holder(Table):
    """A table with such tables in it."""

    odd: tuple[Odd, ...] = ()


def test_a_key_without_a_docstring_has_no_meaning() -> None:
    (found,) = tables_of(Holder)
    assert found.heading == "[[odd]]"
    assert [(key.name, key.form, key.default, key.meaning) for key in found.keys] == [
        ("plain", "whole number", "must be given", ""),
        ("low", "pressure, `1 bar` to `2 bar`", "", "Its meaning, on two lines."),
    ]


def test_the_example_of_a_site_file_is_a_valid_one(tmp_path: Path) -> None:
    example = re.search(r"```toml\n(.*?)```", PARTS["site-file"].text(), flags=re.S)
    assert example is not None
    (tmp_path / "site.toml").write_text(example[1], encoding="utf-8")
    site = read_site(tmp_path / "site.toml", is_to_judge=True)
    assert len(site.baghouse[0].tag) == 3 + 24
    assert limits_in_force(load_rules(), site.rules)["row_silent"]["min_pulses"] == 20
    written = tomllib.loads(example[1])
    assert site.take_in.model_fields_set == written["take_in"].keys()
    tables = {"plant", "folders", "take_in", "units", "mail", "log", "rules", "baghouse"}
    assert written.keys() == tables


def test_every_time_form_named_is_read() -> None:
    named = forms("exports", "Times")
    assert len(named) > 10
    for text in named:
        form = time_form(text)
        assert form is not None, text
        read = [
            parse_times(pl.Series([text]), one).time.cast(pl.Datetime("us"))[0]
            for one in (form, swapped(form))
        ]
        assert date(2026, 3, 31) in {instant.date() for instant in read if instant}, text


def test_forms_that_are_not_read_are_no_instants() -> None:
    assert "dates without a time of day, week dates, hour 24" in chapter("exports", "Times")
    for text in ("2026-03-31", "2026-W14-2T06:00:00", "2026-03-31 24:00:00"):
        form = time_form(text)
        assert form is None or parse_times(pl.Series([text]), form).time.null_count() == 1


def test_every_form_that_has_to_be_named_can_be() -> None:
    named = re.findall(r"`(epoch \w+|%[^`]+)`", chapter("exports", "Times"))
    assert len(named) > 10
    assert all(is_usable(given_form(form).pattern) for form in named)


def test_every_value_form_named_is_read() -> None:
    rows = re.findall(r"^\| (.+?) \| (.+) \|$", chapter("exports", "Values"), flags=re.M)
    expected = {
        "decimal point": (".", Cell.NUMBER, None),
        "decimal comma": (",", Cell.NUMBER, 1234.5),
        "1": (".", Cell.NUMBER, 1.0),
        "0": (".", Cell.NUMBER, 0.0),
        "a bad sample": (".", Cell.WORD, None),
    }
    assert [meaning for _, meaning in rows[1:]] == [*expected]
    for cells, meaning in rows[1:]:
        decimal, kind, number = expected[meaning]
        for text in re.findall(r"`([^`]+)`", cells.split("; further words")[0]):
            column = pl.Series([text])
            (read,) = values_of([column], [column.cast(pl.Float64, strict=False)], decimal)
            is_bad = kind is Cell.WORD and isnan(read.number[0])  # NaN itself is stored as bad too
            assert is_bad or read.kind[0] == kind, text
            assert number is None or read.number[0] == number, text


def test_the_example_of_a_work_log_is_a_valid_one(tmp_path: Path) -> None:
    example = PARTS["work-log"].text().partition("```csv\n")[2].partition("```")[0]
    text = FULL.replace("[3, 2]", "12").replace("firing_order = [1, 3, 2]\n", "")
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    now = datetime(2026, 3, 30, tzinfo=UTC)
    log, problems = parse_work_log(example.encode(), read_site(tmp_path / "site.toml"), now)
    assert problems == []
    assert len(list(log)) == example.count("\n")  # a header line less, and a line of two rows


def test_every_column_and_kind_of_work_has_its_meaning() -> None:
    assert forms("work-log", "Columns") == [*Column]
    assert forms("work-log", "Kinds of work") == [*Work]
    assert forms("work-log", "Results of bags")[: len(Outcome)] == [*Outcome]


def test_every_column_of_the_tables_and_every_mark_is_named() -> None:
    printed = chapter("report", "Findings, cases and work orders")
    assert len(TABLES) == 3
    assert all(f"\n\n{one.reference()}\n\n" in printed for one in TABLES)
    marks = {mark.letter for rule in load_rules() for mark in rule.marks}
    assert set(forms("report", "Marks of rows")) == {*marks, "?"}
