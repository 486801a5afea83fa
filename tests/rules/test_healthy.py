"""The false-alarm rate: healthy days of several kinds, none of them with a finding.

No finding on 23 healthy baghouse-days says with 95 % confidence that the rate is below 13 % a
baghouse-day (rule of three: 3 / 23), on plants like these; the noise, spread and drift of the
simulator are chosen, not measured. `tests/benchmarks/air.py` counts many more.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from helpers.scenes import exports, kiln, local, on_time, study_all

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Finding, Verdict
from rowcall_plant import BaghousePlan, HeaderPlan, PlannedStop

PLANTS: dict[str, tuple[BaghousePlan, dict[str, Any]]] = {
    "on demand": (kiln(), {}),
    "by the clock": (kiln(cleaning=on_time(6, 40.0)), {"rows_by": "counter"}),
    "clocks apart": (kiln(solenoid_clock_offset_s=1.7), {}),
    "noisy": (kiln(noise_scale=3.0), {}),
    "uneven rows": (kiln(header=HeaderPlan(drop_row_spread_frac=0.08, tau_spread_frac=0.1)), {}),
    "samples of 5 s": (kiln(cleaning=on_time(6, 40.0)), {"step_s": 5}),
    "quick rows, samples of 5 s": (kiln(rows=(6,), cleaning=on_time(6, 8.0)), {"step_s": 5}),
}
# Days with enough history for every rule; and one kind that cannot hear its rows.
DEAF = {"quick rows, samples of 5 s"}


def findings_of(plan: BaghousePlan, seed: int, days: int, **how: Any) -> list[Finding]:
    rules = load_rules()
    studied = study_all(exports(plan, days=days, seed=seed, dust=True, **how))
    return diagnose(rules, limits_in_force(rules, {}), [one.day for one in studied])


@pytest.mark.parametrize("name", PLANTS)
def test_healthy_days_have_no_finding(name: str) -> None:
    days = 2
    plan, how = PLANTS[name]
    findings = findings_of(plan, 14, days, **how)
    found = [finding for finding in findings if finding.answer.verdict is Verdict.FOUND]
    assert found == []
    count = Counter((f.rule, f.answer.verdict) for f in findings)
    if name not in DEAF:  # silence of a rule that could not look would prove nothing
        assert count["row_silent", Verdict.CLEAR] > 0
        assert count["slow_header_recovery", Verdict.CLEAR] > 0
        assert count["row_closes_late", Verdict.CLEAR] > 0
    assert count["temperature_excursion", Verdict.CLEAR] == days


def test_nine_healthy_days_in_a_row_have_no_finding() -> None:
    stop = PlannedStop(start=local(4, 9), end=local(4, 14, 30))
    findings = findings_of(kiln(rows=(3, 3), stops=(stop,)), 15, 9, step_s=2)
    assert [f for f in findings if f.answer.verdict is Verdict.FOUND] == []
    verdicts = {(f.rule, f.day, f.answer.verdict) for f in findings}
    days = sorted({f.day for f in findings})
    for rule in ("slow_header_recovery", "supply_short"):
        assert {one[1:] for one in verdicts if one[0] == rule} == {
            (day, Verdict.CLEAR) for day in days
        }
    baseline = [f.answer.verdict for f in findings if f.rule == "rising_residual_dp"]
    assert baseline[6:] == [Verdict.CLEAR] * 3
