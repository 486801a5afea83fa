"""The work log by example: what is read, and what is named of each line that is not."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from helpers.site_texts import FULL

from rowcall.cli import main
from rowcall.model import Subject, Work, WorkEntry
from rowcall.site import Site
from rowcall.site_file import read_site
from rowcall.work_log.read_log import parse_work_log, read_work_log
from rowcall.work_log.template import MEANINGS, described, template

NOW = datetime(2026, 6, 1, tzinfo=UTC)
HEAD = "time,baghouse,compartment,row,position,work,result,part,note\n"


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """Return the site of BH1, with 3 and 2 rows of 4 bags, and of BH2 with one compartment."""
    return read_site(written(tmp_path))


def written(folder: Path, log: str | None = None) -> Path:
    first, second = FULL.split("[[baghouse]]")
    house = second.partition("[[baghouse.tag]]")[0].replace("BH1", "BH2")
    house = house.replace("compartments = 2", "compartments = 1").replace("[3, 2]", "3")
    text = f"{first}[[baghouse]]{second}\n[[baghouse]]{house}"
    text = text.replace("[folders]", '[folders]\nwork_log = "work-log.csv"')
    text = text.replace("[3, 2]", "[3, 2]\nbags_per_row = 4")
    (folder / "site.toml").write_text(text, encoding="utf-8")
    if log is not None:
        (folder / "work-log.csv").write_text(log, encoding="utf-8")
    return folder / "site.toml"


def read(text: str | bytes, site: Site) -> tuple[list[WorkEntry], list[str]]:
    data = text.encode() if isinstance(text, str) else text
    log, problems = parse_work_log(data, site, NOW)
    return list(log), [problem.said("log.csv") for problem in problems]


def test_a_line_is_read_with_all_it_says(site: Site) -> None:
    line = '2026-03-12 06:30,BH1,2,1,4,bags changed,tight,batch 31,"torn, at\nthe cage"\n'
    assert read(HEAD + line, site) == (
        [
            WorkEntry(
                at=datetime(2026, 3, 12, 5, 30, tzinfo=UTC),
                line=2,
                day=date(2026, 3, 12),
                work=Work.BAGS_CHANGED,
                subject=Subject("BH1", 2, 1),
                is_timed=True,
                position=4,
                result="tight",
                part="batch 31",
                note="torn, at\nthe cage",
            )
        ],
        [],
    )


def test_time_and_work_are_enough(site: Site) -> None:
    (entry,), problems = read("work,time\nnote,2026-03-12\n", site)
    assert problems == []
    assert (entry.at, entry.day, entry.is_timed, entry.subject) == (
        datetime(2026, 3, 11, 23, 0, tzinfo=UTC),  # the plant's midnight
        date(2026, 3, 12),
        False,
        Subject(""),
    )


@pytest.mark.parametrize(
    ("time", "at"),
    [
        ("2026-03-29 01:59:30", datetime(2026, 3, 29, 0, 59, 30, tzinfo=UTC)),
        ("2026-03-29T03:00", datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("2025-10-26 02:30+01:00", datetime(2025, 10, 26, 1, 30, tzinfo=UTC)),
        ("2025-10-26T00:30z", datetime(2025, 10, 26, 0, 30, tzinfo=UTC)),
    ],
)
def test_times_are_plant_time_unless_they_carry_an_offset(
    site: Site, time: str, at: datetime
) -> None:
    (entry,), problems = read(f"time,work\n{time},note\n", site)
    assert (entry.at, problems) == (at, [])


def test_the_day_of_an_entry_is_the_plants(site: Site) -> None:
    (entry,), _ = read("time,work\n2026-03-11T23:30Z,note\n", site)
    assert entry.day == date(2026, 3, 12)


@pytest.mark.parametrize(
    ("cells", "places"),
    [
        ('BH1,1,"2, 3",', [(Subject("BH1", 1, 2), 0), (Subject("BH1", 1, 3), 0)]),
        ("BH1,1,1-3,", [(Subject("BH1", 1, row), 0) for row in (1, 2, 3)]),
        ('bh1,1-2,2,"1,3"', [(Subject("BH1", c, 2), p) for c in (1, 2) for p in (1, 3)]),
        ('BH1,1,"2, 1-2; 2",', [(Subject("BH1", 1, row), 0) for row in (1, 2)]),
        ("BH1,2,,", [(Subject("BH1", 2), 0)]),
        ("BH2,,3,", [(Subject("BH2", 1, 3), 0)]),
        ("BH2,,,", [(Subject("BH2"), 0)]),
    ],
)
def test_a_line_may_name_several_places(
    site: Site, cells: str, places: list[tuple[Subject, int]]
) -> None:
    entries, problems = read(f"{HEAD}2026-03-12,{cells},bags changed\n", site)
    assert problems == []
    assert [(entry.subject, entry.position) for entry in entries] == places


BAD_TIME = "write the year first, as 2026-03-12 or 2026-03-12 06:30"
KINDS = f"Allowed are: {', '.join(Work)}."


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("12.03.2026,,,,,note", f'time: "12.03.2026" is not read as a time; {BAD_TIME}, here '),
        ("03/04/2026 6:00,,,,,note", "here 2026-03-04 or 2026-04-03; in a spreadsheet program"),
        ("31.03.2026,,,,,note", "here 2026-03-31; in a spreadsheet program, format the column"),
        ("20260312,,,,,note", f'time: "20260312" is not read as a time; {BAD_TIME}.'),
        ("2026-03-12 24:00,,,,,note", "is not read as a time"),
        ("2026-02-30,,,,,note", 'time: "2026-02-30": there is no such day.'),
        (",,,,,note", "time: the cell is empty; write the time, such as 2026-03-12 or "),
        ("2026-03-29 02:30,,,,,note", '"2026-03-29 02:30": the clock of Europe/Vienna was put f'),
        (
            "2025-10-26 02:30,,,,,note",
            "came twice, as the clock of Europe/Vienna was put back; write "
            "2025-10-26 02:30+02:00 or 2025-10-26 02:30+01:00.",
        ),
        ("2026-03-12 06:00+25:00,,,,,note", "time: "),
        ("2026-07-03,,,,,note", 'lies after 2026-07-02, and only "outage planned" may; check th'),
        ("2062-03-12,,,,,outage planned", '"2062-03-12" lies after 2036-06-01; check the year.'),
        ("9999-12-31,,,,,note", "check the year"),
        ("1899-12-30,,,,,note", '"1899-12-30" lies before 1990-01-01; check the year.'),
        ("2026-03-12,,,,,diafragms renewed", 'is "diaphragms renewed" meant? ' + KINDS),
        ("2028-03-12,,,,,outage planed", 'work: "outage planed" is no kind of work; is "outage '),
        ("2026-03-12,,,,,washed", f'work: "washed" is no kind of work. {KINDS}'),
        ("2026-03-12,,,,,", f"work: the cell is empty. {KINDS}"),
        ("2026-03-12,BH3,,,,note", '"BH3" is no baghouse of the site file; is BH'),
        ("2026-03-12,mill,,,,note", 'baghouse: "mill" is no baghouse of the site file. Allowed '),
        ("2026-03-12,,1,,,note", "baghouse: the cell is empty, so the place may lie in any of BH"),
        ("2026-03-12,BH1,3,,,note", "compartment: BH1 has no compartment 3; allowed are 1 to 2."),
        ("2026-03-12,BH2,2,1,,note", "compartment: BH2 has no compartment 2; allowed is 1."),
        ("2026-03-12,BH1,,1,,note", "compartment: the cell is empty, and BH1 has 2; say which o"),
        ("2026-03-12,BH1,1-2,3,,note", "row: compartment 2 of BH1 has no row 3; allowed are 1 to "),
        ("2026-03-12,BH1,1,1-9999,,note", "has no row 4, 5, 6, 7, 8; allowed are 1 to 3."),
        ("2026-03-12,BH1,1,,2,note", "row: the cell is empty, so the position may lie in any row"),
        ("2026-03-12,BH1,1,3,5,note", "position: row 3 of compartment 1 of BH1 has no position 5;"),
        ("2026-03-12,BH1,1,0,,note", 'row: "0" is no number; allowed are 7, several such as'),
        ("2026-03-12,BH1,1,9-7,,note", 'row: "9-7" is no number'),
        ("2026-03-12,BH1,1,2.0,,note", 'row: "2.0" is no number'),
        ("2026-03-12,BH1,1,07. Sep,,note", 'row: "07. Sep" is no number'),
        ("2026-03-12,,,,,note,a,b,c,d", "2: it has 10 cells, the header 9; put a cell that holds"),
        (
            '2026-03-12,"BH1,1,,,note',
            "line 2: it cannot be cut into cells, as where a quotation mark ha",
        ),
    ],
)
def test_a_line_that_cannot_be_used_is_named_and_costs_only_itself(
    site: Site, line: str, said: str
) -> None:
    entries, (problem,) = read(f'{HEAD}{line}\n2026-03-13,BH1,1,"1,2",,inspection\n', site)
    assert problem.startswith("log.csv, line 2")
    assert said in problem
    assert [(entry.line, entry.subject.row) for entry in entries] == [(3, 1), (3, 2)]


def test_everything_wrong_with_a_line_is_named_at_once(site: Site) -> None:
    _, problems = read(f"{HEAD}yesterday,BH1,7,,,washed\n", site)
    places = [problem.partition(": ")[0] for problem in problems]
    assert sorted(places) == [
        f"log.csv, line 2, column {column}" for column in ("compartment", "time", "work")
    ]


def test_where_no_number_of_bags_is_stated_any_possible_position_is_read(site: Site) -> None:
    lines = "2026-03-12,BH2,1,1,200,note\n2026-03-12,BH2,1,1,1-201,note\n"
    entries, (problem,) = read(HEAD + lines, site)
    assert [entry.position for entry in entries] == [200]
    assert "line 3, column position: row 1 of compartment 1 of BH2 has no position 201;" in problem


def test_work_some_weeks_ahead_and_outages_years_ahead_are_read(site: Site) -> None:
    ahead = "time,work\n2026-07-02,off on purpose\n2036-06-01,outage planned\n"
    assert (len(read(ahead, site)[0]), read(ahead, site)[1]) == (2, [])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: the file is empty, so no line is read. The first line must name the col"),
        ("\n;;\n", "line 1: the file is empty"),
        ("2026-03-12,bags changed\n", "line 1: the header line lacks the column time and work, so"),
        ("\ntime,what\n2026-03-12,x\n", "line 2: the header line lacks the column work, so no li"),
        ("time,work,row,Row\n2026-03-12,note\n", "line 1, column row: it stands there twice, so "),
        ("x" * 200_000, "line 1: the header line lacks the column time and work, so"),
        (b"PK\x03\x04\x00\x00", "line 1: this is a spreadsheet, which is not read; save it as CSV"),
    ],
)
def test_a_file_without_a_usable_header_is_named_as_a_whole(
    site: Site, text: str | bytes, said: str
) -> None:
    entries, (problem,) = read(text, site)
    assert entries == []
    assert said in problem


def test_unknown_columns_are_said_once_and_their_cells_left_out(site: Site) -> None:
    text = "time,weather,work,results\n" + "2026-03-12,rain,note,x\n" * 3
    entries, (problem,) = read(text, site)
    assert (len(entries), entries[0].result) == (3, "")
    assert 'of the columns "weather", "results" nothing is read (is result meant?)' in problem


def test_a_cell_below_no_name_is_not_dropped_in_silence(site: Site) -> None:
    entries, (problem,) = read("time,work,,,\n2026-03-12,note,,x\n2026-03-13,note,,,,\n", site)
    assert [entry.line for entry in entries] == [3]
    assert problem.startswith("log.csv, line 2: it has 4 cells, the header 2;")


def test_lines_of_different_programs_may_stand_in_one_file(site: Site) -> None:
    head, line = b"time,work,note\n", "2026-03-12,note,geprüft\n"
    entries, _ = read(head + line.encode() + line.encode("cp1252"), site)
    assert [entry.note for entry in entries] == ["geprüft", "geprüft"]


def test_the_apostrophe_that_our_sheets_put_before_a_formula_is_no_part_of_a_cell(
    site: Site,
) -> None:
    entries, _ = read("time,work,part,note\n2026-03-02,note,'=K-210,'tis done\n", site)
    assert [(entry.part, entry.note) for entry in entries] == [("=K-210", "'tis done")]


def test_a_quotation_mark_without_a_partner_swallows_no_line(site: Site) -> None:
    text = (
        'time,work,note\n2026-03-12,note,"open\n2026-03-13,note,", quoted"\n2026-03-14,note,"end\n'
    )
    entries, problems = read(text, site)
    assert [entry.line for entry in entries] == [3]
    assert [problem.partition(": ")[0] for problem in problems] == [
        "log.csv, line 2",
        "log.csv, line 4",
    ]


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        (["1,BH1,,,,outage begun", "3,BH1,,,,outage ended"], []),
        (["1,,,,,outage begun", "3,BH1,,,,outage ended"], []),
        (["3,BH1,,,,outage ended"], [2]),
        (["1,BH2,,,,outage begun", "3,BH1,,,,outage ended"], [3]),
        (["1,BH1,,,,outage begun", "3,BH1,,,,outage ended", "4,BH1,,,,outage ended"], [4]),
        (["3,BH1,,,,outage ended", "1,BH1,,,,outage begun"], []),  # a late entry
        (["3,BH1,1,2,,on again"], [2]),
        (["1,BH1,1,2,,off on purpose", "3,BH1,1,1,,on again"], [3]),
        (["1,BH1,1,1-2,,off on purpose", "3,BH1,1,1,,on again", "4,BH1,1,2,,on again"], []),
        (["1,BH1,1,1-2,,off on purpose", "3,BH1,1,,,on again", "4,BH1,1,2,,on again"], [4]),
        (["1,BH1,1,,,off on purpose", "3,BH1,1,1,,on again", "4,BH1,1,2,,on again"], []),
        (["1,BH1,1,1,,on again", "1,BH1,1,1,,off on purpose"], []),  # of one day, without times
        (["1 08:00,BH1,1,1,,off on purpose", "1,BH1,1,1,,on again"], []),
        (["1 08:00,BH1,1,1,,off on purpose", "1 07:00,BH1,1,1,,on again"], [3]),
        (["1,BH1,1,1,,off on purpose", "3,BH1,,,,outage ended"], [3]),
    ],
)
def test_an_end_without_its_begin_is_said_and_counts(
    site: Site, lines: list[str], wrong: list[int]
) -> None:
    text = HEAD + "".join(f"2026-03-0{line}\n" for line in lines)
    entries, problems = read(text, site)
    assert {entry.line for entry in entries} == set(range(2, len(lines) + 2))
    assert [int(problem.split(",")[1].split()[1]) for problem in problems] == wrong
    assert all('column work: "o' in problem for problem in problems)


def test_a_message_quotes_foreign_text_on_one_line(site: Site) -> None:
    _, (problem,) = read(f'time,work\n2026-03-12,"{"a" * 70}\x1b\nb"\n', site)
    assert "\n" not in problem
    assert f'"{"a" * 60}..."' in problem


def test_a_site_without_a_log_reads_none(site: Site) -> None:
    folders = site.folders.model_copy(update={"work_log": None})
    log, problems = read_work_log(site.model_copy(update={"folders": folders}), NOW)
    assert (list(log), problems) == ([], ())


def test_a_log_that_cannot_be_read_is_a_sentence(tmp_path: Path, site: Site) -> None:
    log, (missing,) = read_work_log(site, NOW)
    assert list(log) == []
    assert missing.startswith("work-log.csv: the work log is missing; put it in its place, ")
    (tmp_path / "work-log.csv").mkdir()
    assert "work-log.csv: the work log cannot be read (" in read_work_log(site, NOW)[1][0]


def test_entries_are_described_as_understood(site: Site) -> None:
    lines = (
        '2026-03-12 06:30,BH1,1,"2,3",1,bags changed,tight,B 1,"two\nlines"\n'
        "2026-04-20,,,,,outage planned\n"
    )
    entries, _ = read(HEAD + lines, site)
    assert [described(entry, site.plant.zone) for entry in entries] == [
        "line 2: 2026-03-12 06:30 CET, BH1, compartment 1, row 2, position 1, bags changed, "
        "result tight, part B 1, note two lines",
        "line 2: 2026-03-12 06:30 CET, BH1, compartment 1, row 3, position 1, bags changed, "
        "result tight, part B 1, note two lines",
        "line 4: 2026-04-20, all baghouses, outage planned",
    ]


def test_a_result_that_is_nearly_an_outcome_is_named_and_its_line_counts(site: Site) -> None:
    lines = "2026-03-12,BH1,1,2,1-2,bags changed,faild\n2026-03-12,BH1,1,2,3,dye test,sound\n"
    entries, (problem,) = read(HEAD + lines, site)
    assert [entry.position for entry in entries] == [1, 2, 3]
    assert problem.startswith('log.csv, line 2, column result: "faild": is "failed" meant?')
    assert described(entries[2], site.plant.zone).endswith("result sound, taken as passes")


def test_the_template_is_a_log_without_lines_and_each_kind_has_a_meaning(site: Site) -> None:
    assert read(template(","), site) == ([], [])
    assert read(template(";"), site) == ([], [])
    assert set(MEANINGS) == set(Work)


def test_the_commands_write_and_check_a_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, log = written(tmp_path), tmp_path / "work-log.csv"
    assert main(["check-work-log", "--site", str(site)]) == 2
    assert "the work log is missing" in capsys.readouterr().err
    assert main(["new-work-log", "--to", str(log)]) == 0
    out = capsys.readouterr().out
    assert 'work_log = "work-log.csv"' in out
    assert all(f"{kind} " in out for kind in Work)
    assert main(["new-work-log", "--to", str(log)]) == 2
    with log.open("a", encoding="utf-8") as file:
        file.write('2026-03-12,BH1,1,"1,2",,inspection\n')
    assert main(["check-work-log", "--site", str(site)]) == 0
    captured = capsys.readouterr()
    assert captured.out.splitlines() == [
        "line 2: 2026-03-12, BH1, compartment 1, row 1, inspection",
        "line 2: 2026-03-12, BH1, compartment 1, row 2, inspection",
        "Lines that can be used: 1; problems: 0.",
    ]
    with log.open("a", encoding="utf-8") as file:
        file.write("2026-03-12,BH9,1,1,,inspection\n")
    assert main(["check-work-log", "--site", str(site)]) == 2
    captured = capsys.readouterr()
    assert "Lines that can be used: 1; problems: 1." in captured.out
    assert "work-log.csv, line 3, column baghouse:" in captured.err


def test_checking_without_a_log_in_the_site_file_says_how_to_begin_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "site.toml").write_text(FULL, encoding="utf-8")
    assert main(["check-work-log", "--site", str(tmp_path / "site.toml")]) == 2
    assert 'begin one with "rowcall new-work-log"' in capsys.readouterr().err
