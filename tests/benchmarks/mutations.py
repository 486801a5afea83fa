"""Changes one point of the code at a time, and says which changes the tests notice.

Each change is made in a copy of the tree, and the tests named with it are run there: killed where
they fail, survived where they pass. Exit code 1 where one survived, 2 where the list no longer fits
the code. Run it after rules or the pipeline have changed:

    .venv/bin/python tests/benchmarks/mutations.py [WORD ...]

Only changes whose file name contains one of the words are tried, all of them without a word.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from time import monotonic

ROOT = Path(__file__).parents[2]
PARTS = ("pipeline", "rules", "reports", "fixtures", "tests")
KILLED, SURVIVED = 1, 0  # exit codes of pytest: tests failed, all passed


@dataclass(frozen=True, slots=True)
class Mutation:
    """One change: a file, a text that occurs in it once, its stand-in, and the tests to run."""

    file: str
    old: str
    new: str
    tests: str


ROW_RULES = "tests/rules/test_row_silent.py tests/rules/test_row_weak.py"
ROW_EVIDENCE = (
    "tests/diagnosis/test_diagnosis_row_evidence.py tests/rules/test_rules_row_evidence.py"
)
RISING = (
    "tests/rules/test_rising_residual_dp.py tests/rules/test_rising_residual_dp_thin.py "
    "tests/rules/test_rising_residual_dp_changed.py"
)
BLINDING = "tests/rules/test_blinding.py"
LEAK = "tests/rules/test_in_leakage.py"
COLD = "tests/rules/test_cold_compartment.py"
DIFFER = "tests/rules/test_compartments_differ.py"
COOLING = "tests/events/operation/test_cooling_and_peers.py"
FELL = "tests/rules/test_dp_fell.py"
OPACITY = "tests/rules/test_opacity_above_limit.py"
STEPS = "tests/events/filter/test_sudden_steps.py"
TIMES = "tests/take_in/test_times.py tests/take_in/test_times_sanity.py"
HOUR = "tests/take_in/test_ambiguous_hour.py"
ROWS = "tests/events/rows"
STACKS = "tests/events/stacking"
BY_FACTS = "tests/rules/test_rules_row_evidence.py"  # on one day with facts written by hand
WORK_LOG = "tests/work_log"
REFILLS = "tests/events/headers/test_refills.py"
PAST_ANSWERS = "tests/store/test_past_answers.py"
PARALLEL_NIGHTS = "tests/runs/parallel/test_parallel_nights.py"
RECOVERED = "tests/diagnosis/test_headers_recovered.py"
LEAK_STATED = "tests/rules/test_header_leak.py -k leak_interval"
SHORT = "tests/rules/test_short_interval.py"
DIAGNOSE = "tests/diagnosis/test_diagnose.py"
SETTINGS = "tests/rules/test_settings_differ.py"
NEVER_RESTS = "tests/rules/test_cleaning_never_rests.py"
UNDER = "tests/rules/test_under_cleaning.py"
OVER = "tests/rules/test_over_cleaning.py"
WRONG_TIME = "tests/rules/test_pulsing_at_wrong_time.py"
STARTS = "tests/events/operation"
SET_POINTS = "tests/events/filter/test_set_points.py"
DEW = "tests/rules/test_dew_point.py"
SENSORS = "tests/events/sensors"
WHOSE = "tests/events/headers/test_whose_pulses.py"
CONDEMNED = "tests/diagnosis/test_condemned_tags.py"
_DEW_LIMITS = (
    ("water_margin", "5 K{difference}", "0 K{difference}"),
    ("acid_margin", "0 K{difference}", "20 K{difference}"),
    ("water_operation", "10 min", "5 min"),
    ("water_operation", "10 min", "15 min"),
    ("water_now", "60 min", "50 min"),
    ("water_now", "60 min", "70 min"),
    ("water_start", "10 min", "2 min"),
    ("water_start", "10 min", "45 min"),
    ("acid_operation", "60 min", "50 min"),
    ("acid_operation", "60 min", "70 min"),
    ("longer", "1.5", "1.0"),
    ("longer_by", "10 min", "0 min"),
    ("longer_by", "10 min", "20 min"),
    ("history_starts", "3", "2"),
    ("covered", "90 %", "80 %"),
)
_STARTS_LIMITS = (
    ("starts", "3", "2"),
    ("starts", "3", "4"),
    ("more", "1", "0.9"),
    ("faster", "1.5", "1.4"),
    ("faster", "1.5", "1.6"),
    ("min_ramp", "3 K/min", "2 K/min"),
    ("slower", "1.5", "1.4"),
    ("slower", "1.5", "1.6"),
    ("slower_by", "30 min", "20 min"),
    ("slower_by", "30 min", "40 min"),
    ("history_starts", "5", "4"),
    ("history_starts", "5", "6"),
    ("history_days", "14", "13"),
    ("history_days", "14", "15"),
)
PUFFS = "tests/events/dust/test_puffs.py"
LEAKING = "tests/rules/test_leaking_row.py"
BAGS = "tests/bags"
SPIKES = "tests/rules/test_temperature_excursion.py -k spike"
_HEAT_LIMITS = (
    ("spike_time", "60 s", "50 s"),
    ("spike_time", "60 s", "70 s"),
    ("spike_height", "20 K{difference}", "15 K{difference}"),
    ("spike_height", "20 K{difference}", "30 K{difference}"),
    ("thermocouple", "2 s", "1 s"),
    ("thermocouple", "2 s", "4 s"),
)


def _of_limit(rule: str, key: str, old: str, new: str, *, tests: str = "") -> Mutation:
    """Change a default of a rule on the gas; its tests are named after it, if not given."""
    was, becomes = (f'"{key}",\n            "{one}"' for one in (old, new))
    file = f"rules/rowcall_rules/gas/{rule}.py"
    return Mutation(file, was, becomes, tests or f"tests/rules/test_{rule}.py")


# fmt: off
MUTATIONS = (
    Mutation("pipeline/rowcall/events/dust/puff_model.py", " - mass @ mass.T", "", PUFFS),
    Mutation("pipeline/rowcall/events/dust/six_minutes.py",
             "MIN_POINTS = 36", "MIN_POINTS = 32", "tests/rules/test_opacity_above_limit.py"),
    Mutation("pipeline/rowcall/events/dust/checks.py",
             "min(levels) < usual < max(levels)", "usual < max(levels)",
             "tests/events/dust/test_dust_monitor.py"),
    Mutation("rules/rowcall_rules/dust/opacity_above_limit.py",
             "and not low <= found <= high", "", OPACITY),
    Mutation("rules/rowcall_rules/dust/opacity_above_limit.py",
             "abs(off) >= least and", "", OPACITY),
    Mutation("rules/rowcall_rules/dust/opacity_above_limit.py",
             "(run[0] - _UPSET_S) / 60", "(run[0] - 4 * _UPSET_S) / 60", OPACITY),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             "in rule.does_without and dp in condemned.by_place", "in rule.does_without",
             "tests/diagnosis/test_condemned_tags.py"),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             "(*DP_FACTS, Fact.START_DP_PA, Fact.STOP_DP_PA)", "DP_FACTS",
             "tests/diagnosis/test_condemned_tags.py"),
    Mutation("rules/rowcall_rules/dust/leaking_row.py",
             "_n_led(context, place) or _is_wide", "True or _is_wide", LEAKING),
    Mutation("rules/rowcall_rules/dust/leaking_row.py",
             "return is_rare and height", "return height", LEAKING),
    Mutation("rules/rowcall_rules/dust/leaking_row.py",
             "if named and place in candidates:", "if place in candidates:", LEAKING),
    Mutation("rules/rowcall_rules/dust/leaking_row.py",
             "(_n_led(context, one), one == top)", "one == top", LEAKING),
    *(_of_limit("dew_point", *one) for one in _DEW_LIMITS),
    *(_of_limit("unusual_starts", *one) for one in _STARTS_LIMITS),
    *(_of_limit("temperature_excursion", *one, tests=SPIKES) for one in _HEAT_LIMITS),
    Mutation("pipeline/rowcall/bags/lives.py",
             "if seat in bags and not bags[seat][-1].found", "if seat in bags", BAGS),
    Mutation("pipeline/rowcall/bags/lives.py",
             "seat[0] in open_ or ", "", BAGS),
    Mutation("pipeline/rowcall/bags/clusters.py",
             "np.array([1.0, -1.0])", "np.array([1.0, 1.0])", BAGS),
    Mutation("pipeline/rowcall/bags/clusters.py",
             "for seat in seats], rows)", "for seat in seats], compartments)", BAGS),
    Mutation("pipeline/rowcall/bags/clusters.py",
             "/ scatter).max(axis=1)", ").max(axis=1)", BAGS),
    Mutation("pipeline/rowcall/bags/clusters.py",
             "values.size - np.arange(values.size)", "values.size", BAGS),
    Mutation("pipeline/rowcall/bags/survival.py",
             "(before - after)) - before)", "(before - after)))", BAGS),
    Mutation("pipeline/rowcall/bags/survival.py",
             "MIN_FAILURES = 5", "MIN_FAILURES = 4", BAGS),
    Mutation("pipeline/rowcall/bags/survival.py",
             "len(self.found) >= MIN_FAILURES and self.n_ages >= MIN_AGES",
             "len(self.found) >= MIN_FAILURES", BAGS),
    Mutation("pipeline/rowcall/bags/spares.py",
             "outage, outage, failed + known", "outage, outage, 0 * failed", BAGS),
    Mutation("pipeline/rowcall/bags/spares.py",
             "(bag.since, bag.sound or bag.since)", "(bag.since, bag.since)", BAGS),
    Mutation("pipeline/rowcall/work_log/bag_outcome.py",
             "allowed and not is_change and", "allowed and", "tests/work_log/test_bag_outcome.py"),
    Mutation("pipeline/rowcall/events/operation/heat.py",
             "risen < _FOLLOWS * height", "False", SPIKES),
    Mutation("pipeline/rowcall/events/operation/start_events.py",
             "MAX_COLD_S = 7200", "MAX_COLD_S = 72000", DEW),
    Mutation("pipeline/rowcall/events/operation/start_events.py",
             "max(end, run[0] + warm[0][0])", "end", DEW),
    Mutation("pipeline/rowcall/events/operation/start_events.py",
             "min(begin, run[0] + warm[-1][1])", "begin", DEW),
    Mutation("pipeline/rowcall/events/operation/gas_seconds.py",
             "change <= _CALM_K", "change <= 1e9", STARTS),
    Mutation("pipeline/rowcall/events/operation/gas_seconds.py",
             "if is_exception else line", "", STARTS),
    Mutation("pipeline/rowcall/events/operation/gas_seconds.py",
             "calm_c=calmed(inlet_c)", "calm_c=inlet_c", STARTS),
    Mutation("pipeline/rowcall/events/filter/set_points.py",
             ">= _SHORT", ">= 0.0", SET_POINTS),
    Mutation("pipeline/rowcall/events/filter/set_points.py",
             "rise_pa_s * (asked - interval_s)", "rise_pa_s * asked", SET_POINTS),
    Mutation("pipeline/rowcall/events/sensors/still.py",
             "high - low > limit > 0", "high - low > 0", SENSORS),
    Mutation("pipeline/rowcall/events/sensors/dp_physics.py",
             "> _ALIVE * scatter", "> 99 * scatter", SENSORS),
    Mutation("pipeline/rowcall/events/sensors/dp_physics.py",
             "range(1, _SETTLE_MIN + 1)", "range(1, 2)", SENSORS),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             "if bad and len(bad) == len(serving)", "if bad", CONDEMNED),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             "is_of_dp & is_off & is_here", "is_off & is_here", CONDEMNED),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             "(have[:1] if is_slow else have)", "have", CONDEMNED),
    Mutation("pipeline/rowcall/diagnosis/diagnose.py",
             "+ ([] if name in sensors else sensors)", "", CONDEMNED),
    Mutation("rules/rowcall_rules/sensors/tag_stuck.py",
             "role not in _TEMPERATURES and ", "", "tests/rules/test_tag_stuck.py"),
    Mutation("rules/rowcall_rules/sensors/dp_tap_plugged.py",
             "not is_sure or is_alive", "False", "tests/rules/test_dp_tap_plugged.py"),
    Mutation("rules/rowcall_rules/sensors/tag_drifts.py",
             "one.surely > enough", "abs(one.value) > enough", "tests/rules/test_tag_drifts.py"),
    Mutation("rules/rowcall_rules/sensors/tags_swapped.py",
             "if not leads and not is_mirrored", "if False", "tests/rules/test_tags_swapped.py"),
    Mutation("rules/rowcall_rules/sensors/headers_swapped.py",
             "ring if at == header else []", "ring", "tests/rules/test_headers_swapped.py"),
    Mutation("rules/rowcall_rules/sensors/headers_swapped.py",
             "own > max(least, limits[\"times\"] * other)", "own > least",
             "tests/rules/test_headers_swapped.py"),
    Mutation("pipeline/rowcall/events/headers/whose_pulses.py",
             ", without_s=groups[own].others_s", "", WHOSE),
    Mutation("pipeline/rowcall/events/headers/whose_pulses.py",
             "away_s >= np.median(away_s)", "away_s >= 0.0", WHOSE),
    Mutation("pipeline/rowcall/events/headers/whose_pulses.py",
             "inside &= last_s - first_s <= _LONGEST_S", "pass", WHOSE),
    Mutation("pipeline/rowcall/events/headers/whose_pulses.py",
             "float(mine.max())", "float(mine[lag])", WHOSE),
    Mutation("pipeline/rowcall/events/find.py",
             "None if is_others else clock_offset", "clock_offset",
             "tests/rules/test_headers_swapped.py"),
    Mutation("pipeline/rowcall/diagnosis/sensors/condemned.py",
             " | _of_headers(found, sensor_rules)", "", CONDEMNED),
    Mutation("pipeline/rowcall/condition/gate.py",
             "value * tag.scale * unit.factor", "value * unit.factor",
             "tests/condition"),
    Mutation("pipeline/rowcall/diagnosis/diagnose.py",
             "covered < need.min_coverage", "covered <= need.min_coverage", DIAGNOSE),
    Mutation("pipeline/rowcall/diagnosis/diagnose.py",
             "subject.row > inferred.n_places", "subject.row >= inferred.n_places", DIAGNOSE),
    Mutation("pipeline/rowcall/diagnosis/diagnose.py",
             "0.0 if tag.tag in unevenly else tag.step_s", "tag.step_s", DIAGNOSE),
    Mutation("pipeline/rowcall/diagnosis/row_evidence.py",
             ">= _MIN_AFTER", "> _MIN_AFTER", BY_FACTS),
    Mutation("pipeline/rowcall/diagnosis/row_evidence.py",
             "if days > 1 and sent > 0 else", "if days > 1 else", BY_FACTS),
    Mutation("pipeline/rowcall/diagnosis/row_evidence.py",
             "return not self.changed and is_both", "return is_both", BY_FACTS),
    Mutation("pipeline/rowcall/diagnosis/row_evidence.py",
             "_ERRORS = 3.5", "_ERRORS = 2.0",
             f"{ROW_EVIDENCE} {ROW_RULES}"),
    Mutation("pipeline/rowcall/diagnosis/row_evidence.py",
             "n_found[number] > max(", "n_found[number] >= max(",
             f"{ROW_EVIDENCE} {ROW_RULES}"),
    Mutation("pipeline/rowcall/diagnosis/steps.py",
             "float(line @ line) + penalty <=", "float(line @ line) <=",
             "tests/diagnosis/test_steps.py"),
    Mutation("pipeline/rowcall/events/headers/refills.py",
             "np.maximum(closed - left, 1.0)", "np.maximum(closed, 1.0)",
             "tests/events/headers/test_refills.py tests/rules/test_short_interval.py"),
    Mutation("pipeline/rowcall/events/find.py",
             "return max(spans, default=math.inf)", "return math.inf", REFILLS),
    Mutation("pipeline/rowcall/events/headers/refills.py",
             " * (fits.plateau_pa <= limits.max_pa)", "", REFILLS),
    Mutation("pipeline/rowcall/events/headers/refills.py",
             "np.hypot(limits.half_pa, hidden)", "limits.half_pa", REFILLS),
    Mutation("pipeline/rowcall/events/headers/refills.py",
             '.sort("s", maintain_order=True)', "", REFILLS),
    Mutation("pipeline/rowcall/condition/quantiles.py",
             "np.partition(value, (low, high))", "np.partition(value, low)",
             "tests/condition/test_quantiles.py"),
    Mutation("pipeline/rowcall/memory/answers_so_far.py",
             "if day < self._earlier.before:", "if day <= self._earlier.before:", PAST_ANSWERS),
    Mutation("pipeline/rowcall/memory/answers_so_far.py",
             "day + timedelta(days=1)", "day", PAST_ANSWERS),
    Mutation("pipeline/rowcall/memory/answers_so_far.py",
             " if rule in rules}", "}", PAST_ANSWERS),
    Mutation("pipeline/rowcall/runs/rerun.py",
             "len(waiting) > 1 or not", "not", PARALLEL_NIGHTS),
    Mutation("pipeline/rowcall/runs/rerun.py",
             "len(waiting) > 1 or not ahead.workers.are_running", "True", PARALLEL_NIGHTS),
    Mutation("pipeline/rowcall/store/connection.py",
             """f"SET memory_limit = '{size}'\"""", '"SELECT 1"', "tests/store/test_store.py"),
    Mutation("pipeline/rowcall/diagnosis/headers.py",
             "min(recovery_s, interval_s)", "recovery_s", RECOVERED),
    Mutation("pipeline/rowcall/diagnosis/headers.py",
             "log_error > _MAX_LOG_ERROR", "log_error > 9.0", RECOVERED),
    Mutation("pipeline/rowcall/events/rows/answers.py",
             "max(off**2 - noise**2, 0.0)", "off**2", ROWS),
    Mutation("pipeline/rowcall/events/rows/answers.py",
             "error = np.where(systematic <= _MAX_SYSTEMATIC, error, np.inf)",
             "error = np.asarray(error)", ROWS),
    Mutation("pipeline/rowcall/events/rows/curves.py",
             "(CURVE_ERROR * stack.curve.drop * stack.prior_weight) ** 2", "0.0",
             "tests/trials/test_air.py"),
    Mutation("pipeline/rowcall/events/rows/onset.py",
             "_DEEP_SCATTER = 0.33", "_DEEP_SCATTER = 0.0", ROWS),
    Mutation("pipeline/rowcall/events/rows/posterior.py",
             "w < -_MAX_GIVEN_BACK * np.abs(s)", "w < -np.inf", ROWS),
    Mutation("pipeline/rowcall/events/stacking/stack.py",
             "overlay.y * np.exp(np.clip(moved / curve.tau_s, -1.0, 1.0))", "overlay.y",
             STACKS),
    Mutation("pipeline/rowcall/memory/life.py",
             "life.clear >= _CLOSE_DAYS", "life.clear > _CLOSE_DAYS", "tests/memory"),
    Mutation("pipeline/rowcall/memory/life.py",
             "life.clear >= _QUIET_DAYS:", "life.clear >= 1:", "tests/memory"),
    Mutation("pipeline/rowcall/memory/life.py",
             "is_new and entry.covers(", "is_new and entry.touches(", "tests/memory"),
    Mutation("pipeline/rowcall/memory/measures.py",
             "needed = max(step, _ERRORS * math.sqrt(2) * spread)", "needed = step",
             "tests/memory"),
    Mutation("pipeline/rowcall/memory/explaining.py",
             "bound = uncleaned / (1 - uncleaned)", "bound = 1.0", "tests/memory"),
    Mutation("pipeline/rowcall/memory/explaining.py",
             "and _began_before(case, finding)", "", "tests/memory"),
    Mutation("pipeline/rowcall/runs/nightly.py",
             "yesterday=today - timedelta(days=1),", "yesterday=today - timedelta(days=2),",
             "tests/runs/test_nightly.py"),
    Mutation("pipeline/rowcall/store/exports.py",
             "AND time <= make_timestamp", "AND time < make_timestamp",
             "tests/store"),
    Mutation("pipeline/rowcall/take_in/cells/ambiguous_hour.py",
             "wall < change.past_wall + _NEAR_US", "wall < change.past_wall", HOUR),
    Mutation("pipeline/rowcall/take_in/cells/ambiguous_hour.py",
             "for ordered in (rows, rows[::-1]):", "for ordered in (rows,):", HOUR),
    Mutation("pipeline/rowcall/take_in/cells/timestamps.py",
             "inside = number.is_between(EPOCH_FIRST_S * per_second, EPOCH_LAST_S * per_second)",
             "inside = number.is_not_null()", TIMES),
    Mutation("pipeline/rowcall/take_in/cells/timestamps.py",
             "any(first > 12 for", "any(first > 11 for", TIMES),
    Mutation("pipeline/rowcall/take_in/cells/timestamps.py",
             "any(second > 12 for", "any(second > 11 for", TIMES),
    Mutation("pipeline/rowcall/runs/judge.py",
             "work.done_by(day_bounds(day, site.plant.zone)[1])", "work",
             "tests/runs/test_work_log_nights.py"),
    Mutation("pipeline/rowcall/work_log/log_cells.py",
             ".replace(tzinfo=None) != wall", ".replace(tzinfo=None) < wall", WORK_LOG),
    Mutation("pipeline/rowcall/work_log/log_cells.py",
             "if first != second:", "if first > second:", WORK_LOG),
    Mutation("pipeline/rowcall/work_log/log_checks.py",
             "entry.day, is_late, entry.at", "entry.day, entry.at", WORK_LOG),
    Mutation("pipeline/rowcall/work_log/log_table.py",
             "and not closes ", "", WORK_LOG),
    Mutation("pipeline/rowcall/work_log/log_table.py",
             "if cells is None or any(cells[len(header) :])", "if cells is None", WORK_LOG),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "share >= _STEADY", "share >= 0.0", "tests/rules/test_header_leak.py"),
    Mutation("pipeline/rowcall/diagnosis/shared_change.py",
             "_BETTER = 0.02", "_BETTER = 0.5", "tests/rules/test_header_leak.py"),
    Mutation("pipeline/rowcall/events/headers/idle_pressure.py",
             ">= least * before > 0.0", "> 0.0", "tests/events/headers/test_air_use.py"),
    Mutation("pipeline/rowcall/events/stacking/decompress.py",
             "return bool(least > _MIN_FLOOR * small)", "return False",
             "tests/events/stacking/test_decompress.py"),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "max(fell, middle(low.log[n], hours)) + reach", "fell + reach", LEAK_STATED),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "math.hypot(middle(low.error[n], hours), end)", "middle(low.error[n], hours)",
             LEAK_STATED),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "if is_at_rest else 0.0", "", LEAK_STATED),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "if shared < _MIN_SHARED:", "if shared < 1.0:", LEAK_STATED),
    Mutation("rules/rowcall_rules/air/short_interval.py",
             'or shortfall < context.limits["min_shortfall_drop"] * drop', "", SHORT),
    Mutation("rules/rowcall_rules/air/short_interval.py",
             'is_slow = needed > context.limits["slow"]', "is_slow = False", SHORT),
    Mutation("rules/rowcall_rules/rows/row_closes_late.py",
             "return is_sized and is_shown and", "return is_sized and", BY_FACTS),
    Mutation("rules/rowcall_rules/air/slow_header_recovery.py",
             ' & (share[n] > limits["short_of_drop"])', "",
             "tests/rules/test_slow_header_recovery.py"),
    Mutation("rules/rowcall_rules/air/slow_header_recovery.py",
             'limits["peer_ratio"] * peers', "peers", "tests/rules/test_slow_header_recovery.py"),
    Mutation("pipeline/rowcall/diagnosis/dp_changes.py",
             "or (jump is not None and gain > -_SURE)", "or jump is not None", RISING),
    Mutation("pipeline/rowcall/diagnosis/dp_changes.py",
             "and abs(math.log(peak_ratio)) >= _MIN_CHANGE", "", RISING),
    Mutation("pipeline/rowcall/diagnosis/rise.py",
             'is_fast = trend.rise >= limits["rise_early"] * start', "is_fast = False", RISING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             "(1 + rise.frac) * (1 - uncleaned) - 1", "rise.frac", BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             "n < context", "n <= context", BLINDING),
    Mutation("pipeline/rowcall/diagnosis/dp_series.py",
             "- max(share, 0.0) * (driver - np.median(driver))", "", BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             "if change is not None:", "if False:", BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             " or rule == _DP_RULE)", ")", BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             "one.urgency is not Urgency.WATCH or", "one.urgency or", BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             '"6 %"', '"15 %"', BLINDING),
    Mutation("rules/rowcall_rules/filter/blinding.py",
             '"6 %"', '"1 %"', BLINDING),
    Mutation("pipeline/rowcall/diagnosis/rise.py",
             "trend.rate > 0 and trend.p_no_rise < doubt / 2", "False", BLINDING),
    Mutation("pipeline/rowcall/diagnosis/dp_changes.py",
             "max(_FALL_SD, _spread(series, falls, usual)) ** 2", "_FALL_SD**2",
             "tests/rules/test_rising_residual_dp_changed.py"),
    Mutation("pipeline/rowcall/diagnosis/header_hours.py",
             "np.hypot(self.table(\"plateau_error_pa\"), self._hidden(min_days))",
             "self.table(\"plateau_error_pa\")", "tests/rules/test_header_leak.py"),
    Mutation("rules/rowcall_rules/air/header_leak.py",
             "_P_OF_SLOWER, P_OWN)", "P_OWN, P_OWN)", "tests/rules/test_header_leak.py"),
    Mutation("rules/rowcall_rules/filter/rising_residual_dp.py",
             "return is_known and seen.step is None and not seen.is_rising", "return is_known",
             "tests/rules/test_rising_residual_dp_dust.py"),
    Mutation("rules/rowcall_rules/gas/in_leakage.py", '"5 %",', '"1 %",', LEAK),
    Mutation("rules/rowcall_rules/gas/in_leakage.py", '"5 %",', '"12 %",', LEAK),
    Mutation("rules/rowcall_rules/gas/in_leakage.py", "at_median_of(value, lost)", "value", LEAK),
    Mutation("rules/rowcall_rules/gas/cold_compartment.py",
             '"5 K{difference}"', '"1 K{difference}"', COLD),
    Mutation("rules/rowcall_rules/gas/cold_compartment.py",
             '"5 K{difference}"', '"12 K{difference}"', COLD),
    Mutation("rules/rowcall_rules/gas/cold_compartment.py",
             "now > beside.usual or ", "", COLD),
    Mutation("rules/rowcall_rules/filter/compartments_differ.py", '"0.25"', '"0.7"', DIFFER),
    Mutation("rules/rowcall_rules/filter/compartments_differ.py",
             "(beside.now > beside.usual) is up and ", "", DIFFER),
    Mutation("pipeline/rowcall/events/operation/peers.py",
             "on[c] &= np.nan_to_num(minute_means(bit, running.size)) > 0.5", "pass", COOLING),
    Mutation("pipeline/rowcall/events/operation/cooling.py",
             "last if before - last <= _LEVEL_K else math.nan", "last", COOLING),
    Mutation("rules/rowcall_rules/filter/dp_fell.py", '"8 %"', '"4 %"', FELL),
    Mutation("rules/rowcall_rules/filter/dp_fell.py", '"8 %"', '"20 %"', FELL),
    Mutation("rules/rowcall_rules/filter/dp_fell.py", " and not back", "", FELL),
    Mutation("rules/rowcall_rules/filter/dp_fell.py",
             " and not _worked_on(context, day)", "", FELL),
    Mutation("rules/rowcall_rules/filter/dp_fell.py",
             " or _mended_before(context, step.day)", "", FELL),
    Mutation("rules/rowcall_rules/filter/dp_fell.py", "dust.is_rise or ", "", FELL),
    Mutation("pipeline/rowcall/events/filter/sudden_steps.py",
             "+ np.cumsum(np.isnan(log_drag))", "+ 0", STEPS),
    Mutation("pipeline/rowcall/events/filter/sudden_steps.py",
             "_PRIOR = np.array([0.01, 0.05, 0.5", "_PRIOR = np.array([0.01, 0.05, 0.01", STEPS),
    Mutation("pipeline/rowcall/events/filter/cycle_drag.py",
             " * (1 + bout / rest)", "", "tests/events/filter/test_cycle_drag.py"),
    Mutation("pipeline/rowcall/diagnosis/trend.py",
             " + self.noise**2", "", "tests/diagnosis/test_trend.py"),
    Mutation("rules/rowcall_rules/rows/row_closes_late.py",
             ' and row.late_power < limits["power"])', ")", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_closes_late.py",
             ' and row.day_ratio >= limits["deep"]\n    # Two', "\n    # Two", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_closes_late.py",
             "return is_sized and is_shown", "return is_shown", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_weak.py",
             ' and low >= limits["full"]', "", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_weak.py",
             " and row.surely_answers", "", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_weak.py",
             " and row.answered < row.judged", "", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_weak.py",
             "_MIN_PAST = 3", "_MIN_PAST = 2", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_weak.py",
             ' and high <= limits["healthy"]', "", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_not_pulsed.py",
             'n_sent >= context.limits["sent_share"]', 'n_sent > context.limits["sent_share"]',
             BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_not_pulsed.py",
             'usual < context.limits["min_pulses"]', 'usual <= context.limits["min_pulses"]',
             BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_silent.py",
             "row.before < SILENT_SHARE and row.surely_answers", "row.before < SILENT_SHARE",
             BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_silent.py",
             "row.rate_high < context", "row.rate < context", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_silent.py",
             'n_missed < limits["min_missed"]', 'n_missed <= limits["min_missed"]', BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_silent.py",
             "(row.days > 1 and row.changed and", "(row.changed and", BY_FACTS),
    Mutation("rules/rowcall_rules/rows/row_silent.py",
             "n_found > 1 and", "n_found >= 1 and", BY_FACTS),
    Mutation("rules/rowcall_rules/air/slow_header_recovery.py",
             'is_late = left > context', 'is_late = left < context',
             "tests/rules/test_slow_header_recovery.py"),
    Mutation("rules/rowcall_rules/air/slow_header_recovery.py",
             'own.sum() < limits["slow_hours"]', 'own.sum() <= limits["slow_hours"]',
             "tests/rules/test_slow_header_recovery.py"),
    Mutation("rules/rowcall_rules/air/slow_header_recovery.py",
             "if is_slow_all_day and not alone", "if False and not alone",
             "tests/rules/test_slow_header_recovery.py"),
    Mutation("pipeline/rowcall/diagnosis/header_hours.py",
             "-0.5, self.wander / 2)", "-0.5, 0.0)", "tests/rules/test_slow_header_recovery.py"),
    Mutation("pipeline/rowcall/store/archive/archived.py",
             "(time_us >= one.first_us) & ", "", "tests/store/test_archive.py"),
    Mutation("pipeline/rowcall/store/archive/moving.py",
             "if is_url(file) and digest_of(file) != sha256", "if False",
             "tests/store/test_archive_storage.py"),
    Mutation("pipeline/rowcall/store/archive/moving.py",
             "if found != [(_made(store),)]", "if False", "tests/store/test_archive_storage.py"),
    Mutation("pipeline/rowcall/store/archive/moving.py",
             'file if folder else ""', '""', "tests/store/test_archive_storage.py"),
    Mutation("rules/rowcall_rules/air/supply_short.py",
             "max(-math.log1p(-limits[\"fall\"]), _WANDERS * low.wander)",
             "-math.log1p(-limits[\"fall\"])", "tests/rules/test_supply_short.py"),
    Mutation("rules/rowcall_rules/air/supply_short.py",
             'hours.sum() >= limits["hours"]', 'hours.sum() >= 9.0',
             "tests/rules/test_supply_short.py"),
    Mutation("pipeline/rowcall/diagnosis/pulsing.py",
             "inside[int(np.ceil(begin)) :", "inside[int(begin) - 1 :", UNDER),
    Mutation("pipeline/rowcall/diagnosis/pulsing.py",
             "> _SAME_PAUSE * pause", "> -1.0", SETTINGS),
    Mutation("pipeline/rowcall/diagnosis/pulsing.py",
             "min(_SAME_DP * start.pa, fall / 3)", "1e9", SETTINGS),
    Mutation("pipeline/rowcall/diagnosis/settings_seen.py",
             "_WHOLE = 0.05", "_WHOLE = 0.0", SETTINGS),
    Mutation("pipeline/rowcall/diagnosis/settings_seen.py",
             "int(same[-1]) + 1", "int(same[-1])", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             "_HELD_S = 1.0", "_HELD_S = 9.0", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             "<= _MIN_STEPS", "< _MIN_STEPS", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             ', limits["interval_time"])', ", 0.0)", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'limits["interval_share"] * setting.stated', "0.0", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             ', limits["length_time"])', ", 0.0)", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'limits["length_share"] * setting.stated, ', "0.0, ", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'limits["level_share"] * level, ', "0.0, ", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'limits["band_share"] * band', "0.0", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'if follows < context.limits["order_share"]', "if follows < 0.0", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             'if follows < context.limits["order_share"]', "if follows < 0.95", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             '>= context.limits["below_time"] / 60', ">= 50", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             "< cleaning.stop_dp - slack", "< cleaning.stop_dp", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/settings_differ.py",
             "days=days_ago + 1", "days=days_ago", SETTINGS),
    Mutation("rules/rowcall_rules/cleaning/cleaning_never_rests.py",
             '< context.limits["hours"]', '<= context.limits["hours"]', NEVER_RESTS),
    Mutation("rules/rowcall_rules/cleaning/cleaning_never_rests.py",
             "level_pa > cleaning.start_dp", "level_pa > cleaning.stop_dp", NEVER_RESTS),
    Mutation("rules/rowcall_rules/cleaning/cleaning_never_rests.py",
             "dp_pa > cleaning.stop_dp", "dp_pa > 0.0", NEVER_RESTS),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             ' * (1 + limits["above"])', "", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             "end - begin < wanted_min", "end - begin <= wanted_min", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             "wanted_min = max(wanted_min, ", "wanted_min = max(0.0, ", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             'limits["passes"] * pass_s', "0.0", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             'known < context.limits["covered"]', "known < 0.0", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             "entry.day >= first", "entry.day > first", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             "_MIN_DAYS = 3", "_MIN_DAYS = 2", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             ">= _MIN_DROPS", "> _MIN_DROPS", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             '-context.limits["drop_share"] * min(usual)', "-0.1 * min(usual)", UNDER),
    Mutation("rules/rowcall_rules/cleaning/under_cleaning.py",
             "float(np.median(own)) if own else 0.0", "0.0", UNDER),
    Mutation("rules/rowcall_rules/cleaning/over_cleaning.py",
             'context.limits["low_share"] * trade', "trade", OVER),
    Mutation("rules/rowcall_rules/cleaning/over_cleaning.py",
             'between_s < context.limits["often"]', "True", OVER),
    Mutation("rules/rowcall_rules/cleaning/over_cleaning.py",
             'flow_share < context.limits["flow_share"]', "flow_share < 1.0", OVER),
    Mutation("rules/rowcall_rules/cleaning/over_cleaning.py",
             "float(running.sum())", "1440.0", OVER),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             '> context.limits["clean_down"]', '>= context.limits["clean_down"]', WRONG_TIME),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             '< context.limits["min_pulses"]', '<= context.limits["min_pulses"]', WRONG_TIME),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             '>= context.limits["first_cake"]', '> context.limits["first_cake"]', WRONG_TIME),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             "day > entry.day", "day >= entry.day", WRONG_TIME),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             "if entry.covers(", "if entry.touches(", WRONG_TIME),
    Mutation("rules/rowcall_rules/cleaning/pulsing_at_wrong_time.py",
             ">= after_s", ">= 0.0", WRONG_TIME),
)
# fmt: on


def main(words: list[str]) -> int:
    """Try the changes; return the exit code."""
    chosen = [one for one in MUTATIONS if not words or any(word in one.file for word in words)]
    stale = [problem for one in chosen if (problem := misfit(one))]
    if stale or not chosen:
        print("\n".join(stale) or "no file of the list has such a name", file=sys.stderr)
        return 2
    survived = broken = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for part in PARTS:
            shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        shutil.copy(ROOT / "README.md", copy)
        for one in chosen:
            begun = monotonic()
            code = tried(copy, one)
            word = {KILLED: "killed", SURVIVED: "SURVIVED"}.get(code, f"BROKEN ({code})")
            survived += code == SURVIVED
            broken += code not in (KILLED, SURVIVED)
            took = monotonic() - begun
            print(f"{word:9} {took:4.0f} s  {one.file}: {one.old}  ->  {one.new}", flush=True)
    print(f"{len(chosen)} changes, {survived} survived, {broken} whose tests could not be run")
    return 2 if broken else int(survived > 0)


def misfit(one: Mutation) -> str:
    """Return in what a change no longer fits the code; empty where it does."""
    path = ROOT / one.file
    count = path.read_text(encoding="utf-8").count(one.old) if path.is_file() else 0
    if count == 1:
        return ""
    return f"{one.file}: text {'not found' if not count else f'found {count} times'}: {one.old}"


def tried(copy: Path, one: Mutation) -> int:
    """Return the exit code of the tests under a change, which is taken back."""
    path = copy / one.file
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole.replace(one.old, one.new), encoding="utf-8")
    search = os.pathsep.join(str(copy / part) for part in PARTS)
    command = (sys.executable, "-m", "pytest", "-n0", "-x", "-q", "-p", "no:cacheprovider")
    try:
        return subprocess.run(
            [*command, *one.tests.split()],
            cwd=copy,
            env=os.environ | {"PYTHONPATH": search, "PYTHONDONTWRITEBYTECODE": "1"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=False,
        ).returncode
    finally:
        path.write_text(whole, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
