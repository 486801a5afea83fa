"""An interval that leaves no time to recover: found, sized, and told from a slow refill."""

from __future__ import annotations

import math
from datetime import timedelta

import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit
from helpers.scenes import exports, fact, history_of, kiln, local, on_time, study

from rowcall.model import Fact, Subject, Urgency, Verdict
from rowcall_plant import CleaningPlan, HeaderPlan, RowDrawnOut, RowSilent, SlowHeaderRecovery

RULE = "short_interval"
HEADER = HeaderPlan(tau_spread_frac=0.0)
ONE = Subject("BH1", 1)


@pytest.mark.parametrize("interval_s", [3.0, 3.25, 3.5])
@pytest.mark.parametrize("noise_scale", [1.0, 3.0])
def test_a_short_interval_is_found_with_its_shortfall(
    interval_s: float, noise_scale: float
) -> None:
    """First order with a share f of the pressure a pulse: before = P (1 - r) / (1 - (1 - f) r)."""
    plan = kiln(rows=(6,), cleaning=on_time(6, interval_s), header=HEADER, noise_scale=noise_scale)
    answers = ask(RULE, study(exports(plan, hours=2)[0]).day)
    assert found(answers) == {(1, 0)}
    answer = answers[ONE]
    assert answer.urgency is Urgency.WATCH
    left = math.exp(-(interval_s - 0.15) / 2.2)
    sag = 1 - (1 - left) / (1 - (1 - 0.22) * left)
    # A plateau that is never reached is the less certain, the more the refill's law is open.
    assert value_of(answer, "shortfall_share") == pytest.approx(sag, rel=0.06 * noise_scale)
    assert value_of(answer, "shortest_interval_s") == pytest.approx(
        2.2 * math.log(20), rel=0.05 * noise_scale
    )
    # The advice is no shorter than the time that the text names.
    assert f"{value_of(answer, 'shortest_interval_s'):.1f} s or more between" in answer.action


@pytest.mark.parametrize("interval_s", [4.5, 5.0, 6.0])
def test_a_header_back_by_four_fifths_is_slow_but_sound(interval_s: float) -> None:
    """95 % takes 6.6 s; by 4.5 s 86 % of the deficit are recovered."""
    plan = kiln(rows=(6,), cleaning=on_time(6, interval_s), header=HEADER)
    answer = ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE]
    assert answer.verdict is Verdict.CLEAR
    assert "Slow but sound" in answer.text


def test_four_fifths_of_a_deep_drop_are_sound_too() -> None:
    """19 % of the deficit are missing: 8 % of the pressure, as drops are of 40 %."""
    header = HeaderPlan(tau_spread_frac=0.0, drop_frac=0.40)
    plan = kiln(rows=(6,), cleaning=on_time(6, 3.8), header=header)
    answer = ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE]
    assert value_of(answer, "shortfall_share") == pytest.approx(0.08, abs=0.01)
    assert answer.verdict is Verdict.CLEAR
    assert "Slow but sound" in answer.text


def test_a_lack_of_shallow_drops_does_no_harm() -> None:
    """28 % of a drop of 10 % are missing: 2.7 % of the pressure, 2 % of residual DP."""
    header = HeaderPlan(tau_spread_frac=0.0, drop_frac=0.10)
    plan = kiln(rows=(6,), cleaning=on_time(6, 3.5), header=header)
    answer = ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE]
    assert answer.verdict is Verdict.CLEAR
    assert value_of(answer, "shortfall_share") == pytest.approx(0.027, abs=0.003)


@pytest.mark.parametrize(("interval_s", "verdict"), [(20.0, Verdict.CLEAR), (10.0, Verdict.FOUND)])
def test_of_a_header_that_takes_long_only_a_large_lack_counts(
    interval_s: float, verdict: Verdict
) -> None:
    """95 % takes 39 s. At 20 s 9 % of the plateau are missing; at 10 s 25 %."""
    header = HeaderPlan(tau_s=13.0, tau_spread_frac=0.0, drop_frac=0.38)
    plan = kiln(rows=(6,), cleaning=on_time(6, interval_s), header=header)
    answer = ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE]
    assert answer.verdict is verdict


@pytest.mark.parametrize("interval_s", [7.0, 12.0, 20.0])
def test_an_interval_that_leaves_time_is_clear(interval_s: float) -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6, interval_s), header=HEADER)
    assert ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE].verdict is Verdict.CLEAR


def test_compartments_that_take_turns_leave_each_other_time() -> None:
    """A row every 4 s, but each header is asked every 8 s only."""
    plan = kiln(cleaning=on_time(6, 4.0), header=HEADER)
    answers = ask(RULE, study(exports(plan, hours=2)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_the_setting_from_row_to_row_is_said() -> None:
    header = HeaderPlan(tau_s=4.5, tau_spread_frac=0.0)
    plan = kiln(cleaning=on_time(6, 3.0), header=header)
    answer = ask(RULE, study(exports(plan, hours=2)[0]).day)[ONE]
    assert answer.verdict is Verdict.FOUND
    assert "from row to row 6." in answer.action  # 4.5 s * ln 20 / 2 = 6.7 s


def test_bouts_show_the_staircase() -> None:
    """Row after row from a full header: the first pulse of a bout starts highest."""
    cleaning = CleaningPlan(interval_s=3.0, firing_order=tuple(range(1, 7)))
    studied = study(exports(kiln(cleaning=cleaning, header=HeaderPlan(tau_s=4.5)), hours=2)[0])
    day = studied.day
    answers = ask(RULE, day)
    assert found(answers) == {(1, 0), (2, 0)}
    truth = studied.truth.pulses.filter(pl.col("compartment") == 1).sort("time")
    begins = truth["time"].diff() > timedelta(minutes=1)
    later = truth.filter(~begins & (pl.int_range(pl.len()) % 6 >= 3))["before_pa"].median()
    first = truth.filter(begins)["before_pa"].median()
    assert fact(day, Fact.CYCLE_LOSS_PA, 1) == pytest.approx(first - later, rel=0.05)  # type: ignore[operator]
    assert "Pressure loss over a cleaning cycle" in answers[ONE].text


def test_a_slow_refill_today_is_not_the_setting() -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6, 7.0), header=HEADER)
    slow = SlowHeaderRecovery(start=local(0), compartment=1, tau_factor=2.0)
    export = exports(plan, [slow], hours=2)[0]
    past = history_of({Fact.RECOVERY_S: [6.6] * 5}, export.day, (1, 0))
    answer = ask(RULE, study(export, past).day)[ONE]
    assert answer.verdict is Verdict.CLEAR
    assert "not today" in answer.text
    assert ask(RULE, study(export).day)[ONE].verdict is Verdict.FOUND  # nothing usual is known yet


@pytest.mark.parametrize(
    "fault",
    [
        RowSilent(start=local(0), compartment=1, row=2),
        RowDrawnOut(start=local(0), compartment=1, row=4, late_s=1.0),
    ],
)
def test_faults_of_a_row_do_not_shorten_the_interval(fault: RowSilent | RowDrawnOut) -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6, 10.0), header=HEADER)
    assert ask(RULE, study(exports(plan, [fault], hours=2)[0]).day)[ONE].verdict is Verdict.CLEAR


def test_without_fires_it_cannot_be_told() -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6, 4.0), header=HEADER)
    export = exports(plan, drop=("row_solenoid",), step_s=10, hours=2)[0]
    assert ask(RULE, study(export).day)[ONE].verdict is Verdict.CANNOT_TELL


def test_the_unit_of_the_export_does_not_matter() -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6, 4.0), header=HEADER)
    export = exports(plan, hours=2)[0]
    plain = ask(RULE, study(export).day)[ONE]
    other = ask(RULE, study(in_unit(export, "header_pressure", "kPa")).day)[ONE]
    assert value_of(plain, "shortfall_pa") == pytest.approx(
        value_of(other, "shortfall_pa"), rel=1e-6
    )
