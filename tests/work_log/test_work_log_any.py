"""Any valid log reads back the same; any damaged line is named, and costs only itself."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from helpers.site_texts import FULL
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rowcall.days import day_bounds
from rowcall.model import Subject, Work, WorkEntry
from rowcall.site import Site
from rowcall.site_file import read_site
from rowcall.work_log.problem import Column
from rowcall.work_log.read_log import parse_work_log

NOW = datetime(2026, 6, 1, tzinfo=UTC)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
TEXTS = ("", "", "ok", "geprüft", "a, b; c\td", 'said "torn"', "two\nlines", ", odd", "7-9 µm")
KINDS = [kind for kind in Work if kind not in (Work.OUTAGE_ENDED, Work.ON)]  # no begin needed
# One cell each that makes its line useless, and the column that is named.
DAMAGE = (
    (Column.TIME, "12.03.2026"),
    (Column.TIME, ""),
    (Column.TIME, "2026-13-01"),
    (Column.WORK, "bags chainged"),
    (Column.BAGHOUSE, "BH7"),
    (Column.COMPARTMENT, "9"),
    (Column.ROW, "x"),
    (Column.POSITION, "0"),
)
Cells = dict[Column, str]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    file = tmp_path_factory.mktemp("site") / "site.toml"
    file.write_text(FULL, encoding="utf-8")
    return read_site(file)


def any_line(random: Random, site: Site, line: int) -> tuple[Cells, list[WorkEntry]]:
    """Return the cells of a valid line, and the entries that it stands for."""
    zone = site.plant.zone
    day = datetime(2025, 1, 1, tzinfo=UTC).date() + timedelta(days=random.randrange(500))
    at, is_timed, time = day_bounds(day, zone)[0], False, day.isoformat()
    if random.random() < 0.5:
        at, is_timed = at + timedelta(minutes=random.randrange(12 * 60, 22 * 60)), True
        sign = random.choice(" T")
        local = at.astimezone(random.choice((zone, UTC)))
        time = local.isoformat(sign, "minutes")
        if local.tzinfo is zone and random.random() < 0.5:
            time = time[:16]  # plant time, of an hour that comes once
    compartment = random.choice((0, 1, 2))
    n_rows = (3, 3, 2)[compartment]
    rows = sorted(random.sample(range(1, n_rows + 1), random.randrange(n_rows + 1)))
    rows = rows if compartment else []
    position = random.randrange(5) if rows else 0
    texts = [random.choice(TEXTS) for _ in range(3)]
    kind = random.choice(KINDS)
    cells = dict.fromkeys(Column, "") | {
        Column.TIME: time,
        Column.BAGHOUSE: "BH1" if compartment else random.choice(("", "BH1")),
        Column.COMPARTMENT: f"{compartment or ''}",
        Column.ROW: ", ".join(map(str, rows)),
        Column.POSITION: f"{position or ''}",
        Column.WORK: random.choice((str.upper, str.title, str))(kind),
        Column.RESULT: texts[0],
        Column.PART: texts[1],
        Column.NOTE: texts[2],
    }
    entries = [
        WorkEntry(
            at=at,
            line=line,
            day=day,
            work=kind,
            subject=Subject(cells[Column.BAGHOUSE], compartment, row),
            is_timed=is_timed,
            position=position,
            result=texts[0],
            part=texts[1],
            note=texts[2],
        )
        for row in rows or (0,)
    ]
    return cells, entries


class Written:
    """A log in some random form of writing."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.columns = random.sample(list(Column), len(Column))
        self.encoding = random.choice(ENCODINGS)
        self.ending = random.choice(("\n", "\r\n", "\r"))
        self.padding = [""] * random.choice((0, 0, 3))  # trailing columns of spreadsheet programs
        self.text = io.StringIO(newline="")
        self.delimiter = random.choice(",;\t")
        self.writer = csv.writer(
            self.text,
            delimiter=self.delimiter,
            lineterminator="\n",
            quoting=csv.QUOTE_ALL if random.random() < 0.5 else csv.QUOTE_MINIMAL,
        )
        self.writer.writerow([f" {name.title()} " for name in self.columns] + self.padding)

    @property
    def next_line(self) -> int:
        return self.text.getvalue().count("\n") + 1

    def add(self, cells: Cells) -> None:
        while self.random.random() < 0.2:
            self.text.write(self.random.choice(("\n", f"{self.delimiter * 3}\n")))
        self.writer.writerow([cells[name] for name in self.columns] + self.padding)

    def data(self) -> bytes:
        text = self.text.getvalue()
        if self.random.random() < 0.3:
            text = text.removesuffix("\n")
        return text.replace("\n", self.ending).encode(self.encoding)


def random_log(random: Random, site: Site, written: Written, n_lines: int) -> list[WorkEntry]:
    entries: list[WorkEntry] = []
    for _ in range(n_lines):
        cells, meant = any_line(random, site, 0)
        before = written.next_line
        written.add(cells)
        # Empty lines may have come before it, and its own cells may hold line breaks.
        n_own = 1 + sum(cell.count("\n") for cell in cells.values())
        line = max(before, written.next_line - n_own)
        entries += [replace(one, line=line) for one in meant]
    return entries


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_a_log_of_valid_lines_reads_back_the_same(site: Site, seed: int) -> None:
    random = Random(seed)
    written = Written(random)
    entries = random_log(random, site, written, random.randrange(12))
    log, problems = parse_work_log(written.data(), site, NOW)
    assert [problem.said("log") for problem in problems] == []
    assert list(log) == sorted(entries)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_a_damaged_line_is_named_and_costs_only_itself(site: Site, seed: int) -> None:
    random = Random(seed)
    written = Written(random)
    entries = random_log(random, site, written, random.randrange(6))
    column, text = random.choice(DAMAGE)
    cells = any_line(random, site, 0)[0]
    place = {Column.BAGHOUSE: "BH1", Column.COMPARTMENT: "1", Column.ROW: "1", Column.POSITION: ""}
    texts = {Column.RESULT: "", Column.PART: "", Column.NOTE: ""}
    written.add(cells | place | texts | {column: text})
    damaged = written.next_line - 1
    entries += random_log(random, site, written, random.randrange(6))
    log, problems = parse_work_log(written.data(), site, NOW)
    assert [(problem.line, problem.column) for problem in problems] == [(damaged, column)]
    assert list(log) == sorted(entries)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 2**32))
def test_an_open_quotation_mark_costs_only_its_line(site: Site, seed: int) -> None:
    random = Random(seed)
    written = Written(random)
    entries = random_log(random, site, written, random.randrange(6))
    damaged = written.next_line
    written.text.write('"2026-03-12\n')
    entries += random_log(random, site, written, random.randrange(6))
    log, problems = parse_work_log(written.data(), site, NOW)
    assert [problem.line for problem in problems] == [damaged]
    assert list(log) == sorted(entries)


@given(
    head=st.sampled_from((b"", b"time,work\n", b"\xff\xfe", b"work;time;note\n")), data=st.binary()
)
def test_no_file_is_too_odd_to_be_named(site: Site, head: bytes, data: bytes) -> None:
    log, problems = parse_work_log(head + data, site, NOW)
    assert list(log) == []
    if data.strip(b"\0\t\r\n\v\f ,;\"'"):
        assert problems
    assert all(problem.said("log").isprintable() for problem in problems)
