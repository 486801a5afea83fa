"""The labelled trials themselves: what is planted shows in the noise-free pressure, labels are
complete, and what is kept of it is kept as the condition says. No estimator is looked at."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rowcall.model import Verdict
from trials.calling import bit_tag
from trials.conditions import CONDITIONS, Condition, condition_of
from trials.header_day import RowLabel
from trials.judging import Outcome, judge_trial, known_rules
from trials.rows import FAULTS, FEWER, SLIGHT_DROP, SLIGHT_LATE_S, Kind
from trials.schedule import Floats
from trials.score import Tally, interval, lines_of
from trials.trial import PRESSURE, SIMULATORS, Simulator, Trial, draw_plant, make_trial

SHORT = Condition(name="short", step_s=1.0, hours=2.0, n_rows=(13, 14), interval_s=(9.0, 12.0))
SEEDS = (1, 2)


@cache
def trials_of(simulator: Simulator) -> tuple[Trial, ...]:
    return tuple(make_trial(SHORT, simulator, seed) for seed in SEEDS)


def rows_of(simulator: Simulator, kind: Kind) -> list[tuple[Trial, RowLabel]]:
    found = [
        (trial, label)
        for trial in trials_of(simulator)
        for label in trial.labels
        if label.kind is kind
    ]
    assert len(found) >= len(SEEDS)
    return found


def seen(trial: Trial, row: int, until_s: float = 4.0) -> tuple[Floats, Floats, Floats]:
    """Pressure before, deepest drop and its time within 4 s of every call, from the signal."""
    fire_s = trial.truth.schedule.fire_s[trial.truth.schedule.row == row]
    since_s = np.arange(0.0, until_s, 0.01)
    at_s = (fire_s[:, None] + since_s[None, :]).ravel()
    pressure = trial.truth.pressure_pa(at_s).reshape(fire_s.size, -1)
    before = pressure[:, 0]
    return before, before - pressure.min(axis=1), since_s[pressure.argmin(axis=1)]


def shown_share(trial: Trial, row: int) -> float:
    """Median drop of a row as a share of the pressure before."""
    before, drop, _ = seen(trial, row)
    return float(np.median(drop / before))


# 1. What is planted shows.


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_silent_row_shows_no_drop(simulator: Simulator) -> None:
    for trial, label in rows_of(simulator, Kind.SILENT):
        before, drop, _ = seen(trial, label.row)
        usual = trial.header.drop_frac * before
        # The supply itself may sink a little meanwhile: a load step is 4 % of it at most.
        assert np.median(drop / usual) < 0.01
        assert (drop / usual).max() < 0.3
        assert (label.drop_ratio, label.n_answered) == (0.0, 0)
        assert label.n_called > 20


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_faint_row_shows_its_share(simulator: Simulator) -> None:
    for trial, label in rows_of(simulator, Kind.FAINT):
        planted = trial.header.rows[label.row - 1].drop_share
        healthy = [one.row for one in trial.labels if one.kind is Kind.HEALTHY]
        shares = [shown_share(trial, row) for row in healthy]
        share = shown_share(trial, label.row) / float(np.median(shares))
        assert label.drop_ratio == pytest.approx(share, abs=0.01)
        # Rows differ by 3-5 % from each other, faint or not; shallow drops lose less to the refill.
        assert share == pytest.approx(planted, rel=0.15)
        assert label.n_answered == label.n_called


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_late_valve_shows_a_later_and_deeper_minimum(simulator: Simulator) -> None:
    for trial, label in rows_of(simulator, Kind.DRAWN_OUT):
        late_s = trial.header.rows[label.row - 1].late_s
        healthy = [one for one in trial.labels if one.kind is Kind.HEALTHY]
        usual_s = max(one.minimum_after_s for one in healthy)
        _, drop, after_s = seen(trial, label.row)
        assert label.minimum_after_s == pytest.approx(float(np.median(after_s)), abs=0.02)
        assert 0.7 * late_s < label.minimum_after_s - usual_s < late_s + 0.1
        assert label.drop_ratio > 1.15
        assert drop.max() < trial.header.set_pa * 1.1


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_an_intermittent_row_answers_as_often_as_planted(simulator: Simulator) -> None:
    for trial, label in rows_of(simulator, Kind.INTERMITTENT):
        one_in = trial.header.rows[label.row - 1].one_in
        before, drop, _ = seen(trial, label.row, 1.0)
        answered = drop > 0.3 * trial.header.drop_frac * before
        assert int(answered.sum()) == label.n_answered
        low, high = interval(label.n_called - label.n_answered, label.n_called)
        slack = high - low  # three seeds and two simulators: more than the interval of one
        assert low - slack < 1.0 / one_in < high + slack


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_row_not_called_leaves_no_call_and_no_bit(simulator: Simulator) -> None:
    for trial, label in rows_of(simulator, Kind.NOT_CALLED):
        assert label.n_called == 0
        assert label.row not in trial.truth.schedule.row
        assert trial.samples[bit_tag(label.row)].value.max() == 0.0


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_healthy_rows_differ_by_a_few_percent(simulator: Simulator) -> None:
    ratios = np.array([label.drop_ratio for _, label in rows_of(simulator, Kind.HEALTHY)])
    assert 0.02 < ratios.std() < 0.07
    assert np.abs(ratios - 1.0).max() < 0.25


# 2. Labels.


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_labels_are_complete(simulator: Simulator) -> None:
    for trial in trials_of(simulator):
        assert [label.row for label in trial.labels] == list(range(1, len(trial.header.rows) + 1))
        assert [label.kind for label in trial.labels] == [row.kind for row in trial.header.rows]
        assert {label.kind for label in trial.labels} == {Kind.HEALTHY, *FAULTS}
        calls = trial.truth.schedule
        assert sum(label.n_called for label in trial.labels) == calls.fire_s.size
        assert np.all(np.diff(calls.fire_s) > 0.0)
        for label in trial.labels:
            is_blown = label.n_answered > 0
            assert is_blown == (label.kind not in (Kind.SILENT, Kind.NOT_CALLED))
            assert np.isfinite(label.minimum_after_s) == is_blown
            assert np.isfinite(label.tau_s) == is_blown


@pytest.mark.parametrize("condition", CONDITIONS, ids=lambda one: one.name)
def test_every_called_row_has_twenty_pulses_and_most_rows_are_healthy(condition: Condition) -> None:
    for seed in range(40):
        header, schedule, _ = draw_plant(condition, seed)
        kinds = [row.kind for row in header.rows]
        assert kinds.count(Kind.HEALTHY) >= 0.6 * len(kinds)
        calls = np.bincount(schedule.row, minlength=len(kinds) + 1)[1:]
        assert all(
            n == 0 if kind is Kind.NOT_CALLED else n >= 20
            for kind, n in zip(kinds, calls, strict=True)
        )


def test_names_of_conditions_are_told_where_one_is_unknown() -> None:
    assert condition_of("5 s").step_s == 5.0
    with pytest.raises(ValueError, match=r"no condition '7 s'.*'0\.1 s'"):
        condition_of("7 s")


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_the_same_seed_gives_the_same_trial_and_another_seed_another(simulator: Simulator) -> None:
    short = replace(SHORT, hours=0.2)
    one, again, other = (make_trial(short, simulator, seed) for seed in (7, 7, 8))
    assert repr(one.labels) == repr(again.labels)
    for tag, kept in one.samples.items():
        assert np.array_equal(kept.time_us, again.samples[tag].time_us)
        assert np.array_equal(kept.value, again.samples[tag].value)
    assert not np.array_equal(one.samples[PRESSURE].value, other.samples[PRESSURE].value)


def test_both_simulators_get_the_same_rows_and_calls_but_other_physics() -> None:
    for plant, vessel in zip(trials_of("plant"), trials_of("vessel"), strict=True):
        assert plant.header == vessel.header
        assert np.array_equal(plant.truth.schedule.fire_s, vessel.truth.schedule.fire_s)
        at_s = np.arange(60.0, 600.0, 0.1)
        apart = plant.truth.pressure_pa(at_s) - vessel.truth.pressure_pa(at_s)
        assert np.abs(apart).max() > 0.05 * plant.header.drop_frac * plant.header.set_pa


def test_the_supply_of_the_vessel_stays_within_ten_percent() -> None:
    for trial in trials_of("vessel"):
        before = trial.truth.before_pa / trial.header.set_pa
        assert np.quantile(before, 0.5) > 0.85
        assert before.max() < 1.1
        assert before.max() - np.quantile(before, 0.1) > 0.01  # and it does wander


# 3. Counting.


@pytest.mark.parametrize(("k", "n"), [(0, 35), (3, 20), (20, 20), (1, 1)])
def test_intervals_are_those_of_clopper_and_pearson(k: int, n: int) -> None:
    from statsmodels.stats.proportion import proportion_confint

    assert interval(k, n) == pytest.approx(proportion_confint(k, n, 0.05, method="beta"))


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_rows_with_fewer_bags_draw_less_and_are_no_fault(simulator: Simulator) -> None:
    trial = make_trial(replace(SHORT, name="design", faults="by design"), simulator, 1)
    fewer = [label for label in trial.labels if label.kind is Kind.FEWER_BAGS]
    assert len(fewer) == 2
    assert {label.kind for label in trial.labels} == {Kind.HEALTHY, Kind.FEWER_BAGS}
    for label in fewer:
        planted = trial.header.rows[label.row - 1].drop_share
        assert FEWER[0] < planted < FEWER[1]
        assert label.drop_ratio == pytest.approx(planted, rel=0.15)  # rows differ by design too


def test_slight_faults_lie_between_sound_and_plain() -> None:
    slight = [
        row
        for seed in range(20)
        for row in draw_plant(replace(SHORT, name="slight", faults="slight"), seed)[0].rows
        if row.kind is not Kind.HEALTHY
    ]
    weak = [row.drop_share for row in slight if row.kind is Kind.FAINT]
    late = [row.late_s for row in slight if row.kind is Kind.DRAWN_OUT]
    assert len(weak) + len(late) == len(slight) >= 80
    assert (min(weak), max(weak)) == pytest.approx(SLIGHT_DROP, abs=0.05)
    assert (min(late), max(late)) == pytest.approx(SLIGHT_LATE_S, abs=0.04)


def test_wide_headers_go_beyond_the_usual_ranges() -> None:
    wide = replace(SHORT, name="wide", is_wide=True, interval_s=(8.0, 30.0))
    plants = [draw_plant(wide, seed) for seed in range(60)]
    drops = [header.drop_frac for header, *_ in plants]
    assert (min(drops), max(drops)) == pytest.approx((0.03, 0.45), abs=0.04)
    assert max(header.refill_s / interval_s for header, _, interval_s in plants) > 1.1
    usual = [draw_plant(SHORT, seed)[0].drop_frac for seed in range(60)]
    assert 0.15 < min(usual) < max(usual) < 0.40


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_the_road_answers_for_every_row_and_rule(simulator: Simulator) -> None:
    trial = trials_of(simulator)[0]
    outcome = judge_trial(trial)
    rows = {label.row for label in trial.labels}
    assert {(rule, row) for rule in known_rules() for row in rows} <= set(outcome.verdicts)
    called = {label.row: float(label.n_called) for label in trial.labels}
    assert {row: outcome.facts[row, "n_sent"] for row in rows} == called
    assert outcome.find_events_s > 0.0


def test_verdicts_are_counted_at_their_row_and_rule() -> None:
    trial = trials_of("plant")[0]
    by_kind = {label.kind: label.row for label in trial.labels}
    rules = ("row_silent", "row_closes_late")
    verdicts = {(rule, label.row): Verdict.CLEAR for rule in rules for label in trial.labels}
    verdicts["row_silent", by_kind[Kind.SILENT]] = Verdict.FOUND
    verdicts["row_closes_late", by_kind[Kind.FAINT]] = Verdict.FOUND
    verdicts["row_silent", by_kind[Kind.HEALTHY]] = Verdict.FOUND
    verdicts["row_closes_late", by_kind[Kind.DRAWN_OUT]] = Verdict.CANNOT_TELL
    drawn_out = trial.labels[by_kind[Kind.DRAWN_OUT] - 1]
    facts = {
        (drawn_out.row, "drop_ratio"): drawn_out.drop_ratio + 0.1,
        (drawn_out.row, "drop_ratio_error"): 0.04,
        (drawn_out.row, "tau_s"): drawn_out.tau_s,
    }
    tally = Tally()
    tally.add(trial, Outcome(verdicts, facts, 0.5))
    text = "\n".join(lines_of(tally, rules))
    assert "silent:       found 100.0 %" in text
    assert "there is no rule row_weak" in text
    assert tally.said[Kind.DRAWN_OUT, "row_closes_late", Verdict.CANNOT_TELL] == 1
    assert +tally.wrong == {Kind.HEALTHY: 1, Kind.FAINT: 1}
    ((error, stated),) = tally.errors["drop_ratio"]
    assert (error, stated) == pytest.approx((0.1, 0.04))
    assert "holds the truth in   0.0 %" in text
    assert "missing: no fact tau_log_error" in text
    assert "drawn out, s late: " in text
    assert sum(n for (kind, _, _), n in tally.sized.items() if kind is Kind.DRAWN_OUT) == 1
    both = Tally()
    both.merge(tally)
    both.merge(tally)
    assert both.rows[Kind.HEALTHY] == 2 * tally.rows[Kind.HEALTHY]
    assert both.wrong[Kind.HEALTHY] == 2
