"""The page of leak map and bag life, and its part of the outage sheet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import html5lib
import pytest
from helpers.legible import illegible_words
from helpers.light import contrast
from helpers.report_days import site
from helpers.stop_cases import DAY, entry, stop
from matplotlib.figure import Figure

from rowcall.media import Fibre
from rowcall.model import Subject, Work, WorkEntry, WorkLog
from rowcall_reports.figures import canvas
from rowcall_reports.outage.bag_life_page import bag_lines, write_bag_life
from rowcall_reports.outage.bag_study import BagStudy, study_bags
from rowcall_reports.outage.sheet_files import sheets
from rowcall_reports.outage.stop import Stop

NEW = entry(Work.BAGS_CHANGED, date(2021, 4, 12), Subject("BH1"))
# Seats that glow, by year: position 5 of many rows, and two others.
GLOWING = {
    2022: [(1, 3, 5)],
    2023: [(1, 9, 5), (2, 4, 5)],
    2024: [(1, 7, 5), (2, 2, 11)],
    2025: [(2, 9, 5), (1, 6, 2), (2, 11, 5)],
}


def glows(year: int, seat: tuple[int, int, int]) -> WorkEntry:
    place = Subject("BH1", *seat[:2])
    return entry(Work.DYE_TEST, date(year, 9, 20), place, position=seat[2], result="glows")


def changed(found: WorkEntry) -> WorkEntry:
    day = found.day + timedelta(days=1)
    return entry(Work.BAGS_CHANGED, day, found.subject, position=found.position, result="failed")


def stop_with(*entries: WorkEntry, **more: object) -> Stop:
    stated = {"bags_per_row": ((14,),), "media": Fibre.ARAMID, **more}
    house = site().baghouse[0].model_copy(update=stated)
    return stop(house=house, work=WorkLog(tuple(sorted(entries))))


def full() -> Stop:
    """Return four yearly tests, of which the bags of the last one still hang there."""
    found = [glows(year, seat) for year, seats in GLOWING.items() for seat in seats]
    tests = [
        entry(Work.DYE_TEST, date(y, 9, 20), Subject("BH1", c)) for y in GLOWING for c in (1, 2)
    ]
    outages = [entry(Work.OUTAGE_PLANNED, date(2026, m, 20), Subject("BH1")) for m in (3, 9)]
    return stop_with(NEW, *found, *map(changed, found[:-3]), *tests, *outages, inlet_rows=(1, 2))


def study_of(given: Stop) -> BagStudy:
    study = study_bags(given)
    assert study is not None
    return study


@cache
def studied() -> BagStudy:
    return study_of(full())


def section(text: str, title: str) -> str:
    return text.partition(f"## {title}\n")[2].partition("\n## ")[0]


def test_what_stands_out_is_named_with_what_it_points_to() -> None:
    text = write_bag_life(studied())
    assert (
        "**8 failed bags since 20 Sep 2022, 3 still in place. More than chance: position 5.**"
        in text
    )
    where = section(text, "Where bags fail")
    assert "| position 5 " in where
    assert "**Position 5 stands out: 6 of 8 failed bags, by chance 0.57.**" in where
    assert "nozzles of this position are worn oval" in where
    assert "Look, all isolated, at: nozzles of this position in every blowpipe" in where
    assert "inlet side" in where


def test_life_is_given_with_intervals_and_by_zone() -> None:
    life = section(write_bag_life(studied()), "How long bags last")
    (line,) = (one for one in life.splitlines() if one.startswith("| all bags"))
    _, _, lives, failed, tenth, _, shape, _ = (cell.strip() for cell in line.split("|"))
    assert (lives, failed) == ("341", "8")
    assert " to " in tenth or "or later" in tenth
    assert " to " in shape
    assert "| inlet side | " in life
    assert "cannot tell: 4 more failures of known age needed" in life


def test_spares_are_known_leaks_and_further_failures_of_two_outages() -> None:
    spares = section(write_bag_life(studied()), "Bags for the coming outages")
    first, second = (one.split("|") for one in spares.splitlines() if one.startswith("| 2026"))
    assert (first[1].strip(), first[2].strip()) == ("2026-03-20", "3")
    assert (second[1].strip(), second[2].strip()) == ("2026-09-20", "0")
    high = int(first[3].rpartition("to ")[2].rstrip(") "))
    assert int(first[4]) == 3 + high


def test_too_few_failures_are_said_and_no_interval_is_made_up() -> None:
    study = study_of(stop_with(NEW, glows(2024, (1, 3, 5)), glows(2025, (1, 9, 5))))
    text = write_bag_life(study)
    assert "Cannot tell whether failed bags crowd somewhere: 2 known, 1 more are needed." in text
    assert "cannot tell: 3 more failures of known age needed" in section(text, "How long bags last")
    spares = section(text, "Bags for the coming outages")
    assert "Known to leak: 2 bags." in spares
    assert "How many more will have failed: cannot tell (3 more failures of known age" in spares
    assert [one.name for one in study.pictures] == ["leaks-BH1-2026-03-15.png"]


def test_failures_of_bags_whose_age_is_not_known_ask_for_the_day_they_were_put_in() -> None:
    text = write_bag_life(study_of(stop_with(glows(2024, (1, 3, 5)))))
    assert (
        '1 failed bag of unknown age: enter the day on which the bags were put in as "bags ch'
        in text
    )
    assert "| not known | no" in text


def test_without_an_outage_planned_spares_are_not_guessed() -> None:
    given = full()
    work = WorkLog(tuple(one for one in given.work if one.work is not Work.OUTAGE_PLANNED))
    spares = section(
        write_bag_life(study_of(replace(given, work=work))), "Bags for the coming outages"
    )
    assert 'No outage is planned: enter "outage planned" ahead' in spares


def test_the_outage_sheet_has_a_part_with_a_link_that_leads_to_the_page() -> None:
    files = sheets(full(), studied())
    part = section(files[f"outage-BH1-{DAY}.md"], "Bags, by the work log")
    assert "- 8 failed bags are known, 3 of them still in place." in part
    assert "Isolated: nozzles of this position in every blowpipe" in part
    assert f'href="bag-life-BH1-{DAY}.html"' in files[f"outage-BH1-{DAY}.html"]
    page = files[f"bag-life-BH1-{DAY}.html"]
    assert f'src="leaks-BH1-{DAY}.png"' in page
    assert f'href="outage-BH1-{DAY}.html"' in page
    html5lib.HTMLParser(strict=True).parse(page)


def test_a_log_without_bags_makes_no_page_and_one_without_bags_a_row_says_why() -> None:
    assert study_bags(stop_with(entry(Work.NOTE, DAY, Subject("BH1")))) is None
    given = stop_with(NEW, bags_per_row=None)
    files = sheets(given, study_of(given))
    assert "The site file states no `bags_per_row`" in files[f"outage-BH1-{DAY}.md"]
    assert not any(name.startswith("bag-life") for name in files)


def test_the_csv_has_every_bag() -> None:
    text = sheets(full(), studied())[f"bag-life-BH1-{DAY}.csv"]
    lines = list(csv.DictReader(io.StringIO(text)))
    assert len(lines) == len(studied().bags) == len(list(bag_lines(studied())))
    (last,) = (
        one for one in lines if (one["row"], one["position"]) == ("6", "2") and one["found_failed"]
    )
    assert (last["put_in"], last["last_sound"], last["found_failed"], last["taken_out"]) == (
        "2021-04-12", "2024-09-20", "2025-09-20", "",
    )  # fmt: skip


def test_pictures_are_legible_say_what_to_see_and_are_the_same_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    leaks, life = studied().pictures
    assert [leaks.png, life.png] == [one.png for one in study_of(full()).pictures]
    assert "Position 5 stands out: 6 of 8 failed bags" in leaks.alt
    assert (
        "Waiting for a new bag: compartment 1, row 6, position 2; compartment 2, row 9" in leaks.alt
    )
    assert "Dashed: more than chance." in leaks.caption
    assert "have not failed, by age: falls to 9" in life.alt
    seen: list[Figure] = []

    def keep(figure: Figure) -> bytes:
        seen.append(figure)
        return b""

    monkeypatch.setattr(canvas, "to_png", keep)
    assert len(study_of(full()).pictures) == len(seen) == 2
    assert [illegible_words(figure) for figure in seen] == [[], []]


def test_the_marks_of_the_map_differ_in_greyscale() -> None:
    assert contrast(canvas.INK, canvas.GRID) >= 7
    assert contrast(canvas.GRID, (1.0, 1.0, 1.0)) >= 1.2


def test_of_many_compartments_those_with_most_failures_are_drawn() -> None:
    found = [glows(2025, (c, 1, n)) for c in range(1, 7) for n in range(1, 2 + (c > 2))]
    given = stop_with(NEW, *found, compartments=6, rows_per_compartment=(12,))
    (leaks,) = study_of(given).pictures[:1]
    assert "compartment 3, 4, 5, 6: 10 failed bags" in leaks.alt
    assert "Not shown: 2 compartments with fewer failed bags." in leaks.caption
