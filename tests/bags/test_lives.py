"""Bag lives from a work log: what counts as put in, seen sound, found failed, taken out."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from helpers.report_days import site
from helpers.work_logs import log, only

from rowcall.bags.lives import Bag, Seat, bags_of, failures_of
from rowcall.media import Fibre
from rowcall.model import Work, WorkEntry
from rowcall.site import Baghouse

IN, LATER, TODAY = date(2022, 1, 1), date(2024, 1, 1), date(2026, 3, 15)


def house(**more: object) -> Baghouse:
    """Return BH1 with two compartments of 12 rows of 3 bags."""
    stated = {"bags_per_row": ((3,),), "media": Fibre.ARAMID, **more}
    return site().baghouse[0].model_copy(update=stated)


def said(work: Work, day: date, *place: int, result: str = "", part: str = "") -> WorkEntry:
    position = place[2] if len(place) > 2 else 0
    return replace(only(work, day, *place[:2], position=position), result=result, part=part)


def lives(seat: Seat, *entries: WorkEntry, day: date = TODAY, **more: object) -> list[Bag]:
    return [bag for bag in bags_of(log(*entries), house(**more), day) if bag.seat == seat]


NEW = said(Work.BAGS_CHANGED, IN)
GLOWS = said(Work.DYE_TEST, LATER, 1, 4, 2, result="glows")


def test_a_glowing_seat_is_an_interval_and_the_rest_of_its_compartment_was_sound() -> None:
    (_, bag) = lives((1, 4, 2), NEW, GLOWS)
    assert (bag.since, bag.sound_d, bag.found_d, bag.waits) == (IN, 0, 730, True)
    (_, beside) = lives((1, 9, 1), NEW, GLOWS)
    assert (beside.sound, beside.found_d, beside.sound_d) == (LATER, None, 730)
    (_, other) = lives((2, 4, 2), NEW, GLOWS)
    assert other.sound_d == 0


def test_it_failed_after_it_was_last_seen_sound() -> None:
    test = said(Work.DYE_TEST, date(2023, 1, 1), 1)
    (_, bag) = lives((1, 4, 2), NEW, test, GLOWS)
    assert (bag.sound_d, bag.found_d) == (365, 730)


def test_a_new_bag_begins_a_new_life() -> None:
    change = said(Work.BAGS_CHANGED, date(2024, 1, 3), 1, 4, 2, result="failed", part="PPS, lot 3")
    _, old, new = lives((1, 4, 2), NEW, GLOWS, change)
    assert (old.found, old.until, old.waits) == (GLOWS, date(2024, 1, 3), False)
    assert (new.since, new.media, new.found) == (date(2024, 1, 3), Fibre.PPS, None)
    assert old.media is Fibre.ARAMID


def test_a_bag_changed_as_failed_or_plugged_is_a_failure_of_that_day() -> None:
    for result in ("failed", "plugged since May"):
        change = said(Work.BAGS_CHANGED, LATER, 1, 4, 2, result=result)
        assert [bag.found_d for bag in lives((1, 4, 2), NEW, change)] == [None, 730, None]


def test_a_bag_changed_in_good_health_is_sound_up_to_then_and_one_without_a_result_not() -> None:
    for result, sound_d in (("healthy", 730), ("", 0), ("tight", 0)):
        change = said(Work.BAGS_CHANGED, LATER, 1, 4, result=result)
        _, old, _ = lives((1, 4, 2), NEW, change)
        assert (old.sound_d, old.found, old.until) == (sound_d, None, LATER)


def test_failed_without_a_position_is_nobodys_failure() -> None:
    change = said(Work.BAGS_CHANGED, LATER, 1, 4, result="failed")
    assert failures_of(bags_of(log(NEW, change), house(), TODAY)) == []


def test_a_failure_is_counted_once_until_the_bag_is_changed() -> None:
    again = said(Work.DYE_TEST, date(2025, 1, 1), 1, 4, 2, result="glows")
    assert len(failures_of(bags_of(log(NEW, GLOWS, again), house(), TODAY))) == 1


def test_the_change_of_a_bag_that_was_known_to_leak_is_no_look_at_the_others() -> None:
    change = said(Work.BAGS_CHANGED, date(2025, 1, 1), 1, 4, 2, result="failed")
    (_, beside) = lives((1, 9, 1), NEW, GLOWS, change)
    assert beside.sound == LATER


def test_a_retest_that_passes_after_the_change_is_of_the_new_bag() -> None:
    change = said(Work.BAGS_CHANGED, LATER, 1, 4, 2, result="failed")
    retest = said(Work.DYE_TEST, LATER, 1, 4, 2, result="passes")
    _, old, new = lives((1, 4, 2), NEW, GLOWS, change, retest)
    assert (old.found is not None, new.found, new.sound) == (True, None, LATER)


def test_a_failure_on_the_day_of_the_change_lies_within_a_day() -> None:
    glows = said(Work.DYE_TEST, IN, 1, 4, 2, result="glows")
    found = said(Work.DYE_TEST, date(2022, 1, 2), 1, 4, 2)
    assert lives((1, 4, 2), NEW, glows)[0].found_d is None  # the old one, of unknown age
    assert lives((1, 4, 2), NEW, found)[1].found_d == 1


def test_what_lies_after_the_day_of_another_baghouse_or_without_a_date_put_in_has_no_age() -> None:
    (bag,) = lives((1, 4, 2), GLOWS)
    assert (bag.since, bag.found, bag.found_d) == (None, GLOWS, None)
    assert lives((1, 4, 2), GLOWS, day=date(2023, 1, 1))[0].found is None
    elsewhere = replace(GLOWS, subject=replace(GLOWS.subject, baghouse="BH2"))
    assert lives((1, 4, 2), elsewhere)[0].found is None


def test_zones_are_of_the_site_file() -> None:
    zones = {
        seat: lives(seat, NEW, inlet_rows=(1,), wall_positions=(3,))[0].zone
        for seat in ((1, 1, 3), (1, 2, 3), (2, 2, 1))
    }
    assert list(zones.values()) == ["inlet side", "wall", "middle"]
    assert lives((1, 1, 3), NEW)[0].zone == ""


def test_without_bags_a_row_there_are_no_bags() -> None:
    assert bags_of(log(NEW, GLOWS), house(bags_per_row=None), TODAY) == ()
