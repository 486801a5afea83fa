"""The pictures: same bytes, a text for each, readable without colour."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.legible import illegible_words
from helpers.light import luminance
from matplotlib.figure import Figure

from rowcall.model import Fact, History, Urgency, Verdict
from rowcall_reports.figures import canvas
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.figures.dp import draw_dp, shown_cycles
from rowcall_reports.figures.hours import recovery_by_hour
from rowcall_reports.figures.month import draw_month, month_of
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.row_styles import shades
from rowcall_reports.figures.rows import drawn_rows
from rowcall_reports.prepared import prepare
from rowcall_reports.row_marks import SHOWN_DAYS


def unpainted(figure: Figure) -> bytes:
    """Lay a picture out without making a file of it."""
    figure.draw_without_rendering()
    return b""


@pytest.fixture(scope="module")
def drawn() -> tuple[Picture, ...]:
    return draw(report_days.report())


def test_at_most_five_a_baghouse_each_with_words(drawn: tuple[Picture, ...]) -> None:
    names = [picture.name for picture in drawn]
    assert names == [
        "month-BH1.png", "stacks-BH1.png", "rows-BH1.png", "recovery-BH1.png", "dp-BH1.png",
        "month-BH2.png", "rows-BH2.png", "recovery-BH2.png", "dp-BH2.png",
    ]  # fmt: skip
    assert all(picture.alt and picture.caption for picture in drawn)
    assert all(picture.png.startswith(b"\x89PNG") for picture in drawn)
    assert "silent: compartment 1 row 4" in drawn[2].alt
    assert "closes late: compartment 2 row 9" in drawn[2].alt
    assert "Inlet temperature of BH1, compartment 2, at most 148 °C" in drawn[3].alt


def test_words_are_legible_on_a_telephone_and_none_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Figure] = []

    def keep(figure: Figure) -> bytes:
        seen.append(figure)
        return b""

    monkeypatch.setattr(canvas, "to_png", keep)
    draw(report_days.sample())
    assert len(seen) == 9
    assert [illegible_words(figure) for figure in seen] == [[]] * 9


def test_of_many_rows_those_are_drawn_that_have_something_to_show() -> None:
    report = report_days.report()
    house = report.baghouses[0].baghouse.model_copy(
        update={"compartments": 6, "rows_per_compartment": (12,) * 6}
    )
    day = replace(report.baghouses[0], baghouse=house)
    (many,) = prepare(replace(report, baghouses=(day,))).baghouses
    drawn, n_left_out = drawn_rows(many.sheet[1])
    shown = {(block.compartment, row + 1) for block, rows in drawn for row in rows.tolist()}
    assert shown >= {(1, 4), (2, 9)}
    assert len(shown) + n_left_out == 72
    assert len(shown) <= 48


def test_same_day_gives_same_pictures(drawn: tuple[Picture, ...]) -> None:
    """Those of the first baghouse, which has one of each kind."""
    report = report_days.report()
    assert draw(replace(report, baghouses=report.baghouses[:1])) == drawn[:5]


def test_pictures_carry_no_program_or_date(drawn: tuple[Picture, ...]) -> None:
    for picture in drawn:
        assert b"Software" not in picture.png
        assert b"tIME" not in picture.png


def test_no_data_no_picture() -> None:
    assert draw(report_days.empty_report()) == ()


def test_shade_darkens_as_the_drop_falls() -> None:
    ratio = np.array([[1.2, 1.0, 0.8, 0.6, 0.4, 0.1]])
    cells = shades(ratio, np.full((1, 6), ""))[0]
    light = [luminance((float(r), float(g), float(b))) for r, g, b in cells]
    assert light[0] == pytest.approx(light[1])
    assert light[1:5] == sorted(light[1:5], reverse=True)
    assert light[4] == pytest.approx(light[5])


def test_roll_call_grid_shows_history_and_today() -> None:
    report = report_days.report()
    days, made = prepare(report).baghouses[0].sheet
    assert len(days) == 30
    assert days[-1] == report.day
    silent = made[0].letter[3]
    assert silent.tolist() == [""] * 21 + ["S"] * 9
    assert made[1].letter[8].tolist()[-3:] == ["", "L", "L"]
    assert made[0].letter[10].tolist()[-5:] == ["?"] * 5
    stood_still = days.index(report.day - timedelta(days=20))
    assert np.isnan(made[0].ratio[:, stood_still]).all()
    assert (made[0].letter[:, stood_still] == "").all()


def test_facts_of_rows_that_no_longer_exist_are_left_out() -> None:
    report = report_days.report()
    house = report.baghouses[0].baghouse.model_copy(update={"rows_per_compartment": (12, 3)})
    day = replace(report.baghouses[0], baghouse=house)
    _, made = prepare(replace(report, baghouses=(day,), findings=())).baghouses[0].sheet
    assert [len(block.ratio) for block in made] == [12, 3]


def test_recovery_by_hour_is_that_of_the_header() -> None:
    day = report_days.report().baghouses[0]
    one = day.hours.filter((pl.col("compartment") == 2) & (pl.col("hour") == 13))
    strip = recovery_by_hour(replace(day, hours=one.with_columns(recovery_s=12.3)))
    assert strip.shape == (2, 24)
    assert strip[1, 13] == pytest.approx(12.3)
    assert np.isfinite(strip).sum() == 1


def test_long_day_and_first_day_can_be_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canvas, "to_png", unpainted)
    report = report_days.report()
    days = tuple(
        replace(day, end=day.end + timedelta(hours=1), history=History())
        for day in report.baghouses
    )
    assert len(draw(replace(report, baghouses=days))) == 7


def test_gaps_in_the_minutes_can_be_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canvas, "to_png", unpainted)
    report = report_days.report()
    gap = pl.when(pl.col("minute") < 900).then(pl.col("dp_pa")).alias("dp_pa")
    days = tuple(
        replace(day, minutes=day.minutes.with_columns(gap), cycles=day.cycles.clear())
        for day in report.baghouses
    )
    assert len(draw(replace(report, baghouses=days))) == 9


def test_matplotlib_is_loaded_only_when_drawing() -> None:
    code = (
        "import sys, rowcall_reports.figures.all_pictures, rowcall_reports.html\n"
        "import rowcall_reports.write\n"
        "sys.exit('matplotlib' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_cycles_across_a_stop_are_not_drawn() -> None:
    day = report_days.report().baghouses[0]
    stopped = day.cycles.with_columns(state_running=pl.col("start_s") > 3600.0)
    shown = shown_cycles(replace(day, cycles=stopped), "residual_dp_pa")
    assert 0 < shown.height < day.cycles.height
    assert shown["start_s"].min() > 3600.0  # type: ignore[operator]
    assert shown_cycles(replace(day, cycles=pl.DataFrame()), "residual_dp_pa").is_empty()


def test_days_on_which_dp_changed_are_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canvas, "to_png", unpainted)
    report = report_days.report()
    kiln = report.baghouses[0]
    at = kiln.history.facts.head(1).with_columns(
        day=pl.lit(report.day - timedelta(days=9)),
        compartment=pl.lit(0, pl.Int64),
        row=pl.lit(0, pl.Int64),
        name=pl.lit(Fact.DP_CHANGED_S.column),
        value=pl.lit(3600.0),
    )
    changed = replace(kiln.history, facts=pl.concat([kiln.history.facts, at]))
    days = (replace(kiln, history=changed), *report.baghouses[1:])
    house, other = prepare(replace(report, baghouses=days)).baghouses
    assert month_of(house).changed == [SHOWN_DAYS - 10]
    for draws in (draw_month, draw_dp):
        captions = [picture.caption for one in (house, other) if (picture := draws(one))]
        assert ["riangle" in caption for caption in captions] == [True, False]


def test_a_day_of_the_month_without_a_number_says_why() -> None:
    report = report_days.report()
    kiln = report.baghouses[0]
    off, stopped, unknown = (report.day - timedelta(days=n) for n in (3, 4, 5))
    verdicts = kiln.history.verdicts.with_columns(
        verdict=pl.when(pl.col("day").is_in([off, stopped, unknown]))
        .then(pl.lit(Verdict.CANNOT_TELL.value))
        .otherwise(pl.col("verdict"))
    )
    facts = kiln.history.facts.with_columns(
        value=pl.when((pl.col("day") == stopped) & (pl.col("name") == Fact.RUNNING_MIN.column))
        .then(0.0)
        .otherwise(pl.col("value"))
    )
    history = replace(kiln.history, verdicts=verdicts, facts=facts)
    house = prepare(replace(report, baghouses=(replace(kiln, history=history),))).baghouses[0]
    month = month_of(replace(house, off_days=frozenset({off})))
    assert month.why[-6:] == ["?", "s", "o", "", "", ""]
    assert [month.found[urgency][-1] for urgency in (Urgency.NOW, Urgency.NEXT_OUTAGE)] == [2, 1]
    picture = draw_month(replace(house, off_days=frozenset({off})))
    assert picture is not None
    assert "o off on purpose, s not running, ? could not be judged" in picture.caption
    assert "today 2 now, 1 next outage, 1 watch" in picture.alt
    assert "residual DP, kPa: 1.43 today" in picture.alt
    assert draw_month(replace(house, day=replace(kiln, history=History()))) is None
