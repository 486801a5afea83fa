"""Lives of many random faults: noise as stated errors say, days that cannot be judged at random.

Numbers are those of the rules on a row's valve, whose verdicts fall by the limits that they hold a
row against; no simulator. Rates of error are measured ones (`tests/benchmarks/RESULTS.md`): below 3
in 10,000 row-days of sound rows are found, and 98 % of silent and weak rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pytest
from helpers.case_days import answer, cases, entry, row, unknown

from rowcall.diagnosis.row_evidence import share_interval
from rowcall.model import Case, Check, Finding, News, Subject, Urgency, Verdict, Work

N_TRIALS = 150  # a third of each kind; with 999 the shares are 1.000, 1.000 and 0.999
N_DAYS = 30
ROW = row(1, 7)
Kind = Literal["silent", "weak", "misses"]
KINDS: tuple[Kind, ...] = ("silent", "weak", "misses")
FALSE, FOUND = 3e-4, 0.98


def judged(
    rng: np.random.Generator, number: int, kind: Kind | None, size: float, error: float
) -> Iterator[Finding]:
    """Answers on one day; size is the share of drop, or of answers where it misses pulses."""
    n_pulses = int(rng.integers(40, 400))
    share = {"silent": 0.0, "misses": size}.get(kind or "", 1.0)
    answered = rng.binomial(n_pulses, share) / n_pulses
    drop = (size if kind == "weak" else 1.0) + error * rng.standard_normal()
    low, high = share_interval(answered * n_pulses, n_pulses)
    is_seen = rng.random() < (FOUND if kind else FALSE)
    silent = is_seen and kind in ("silent", "misses", None)
    # What is not found where it should be cannot be told, as a rule; a tenth of it is called clear.
    missed = Verdict.CLEAR if kind is None or rng.random() < 0.1 else Verdict.CANNOT_TELL
    not_silent = Verdict.CLEAR if kind in ("weak", None) else missed
    yield answer(
        number,
        "row_silent",
        ROW,
        Verdict.FOUND if silent else not_silent,
        answered_share=answered,
        answered_share_low=low,
        answered_share_high=high,
    )
    is_weak = kind == "weak" and is_seen
    yield answer(
        number,
        "row_weak",
        ROW,
        Verdict.FOUND if is_weak else missed if kind == "weak" else Verdict.CLEAR,
        drop_ratio=float("nan") if kind == "silent" else drop,
        drop_ratio_error=error,
    )
    yield answer(number, "row_closes_late", ROW, Verdict.CLEAR, late_s=0.0, late_s_error=0.05)


def life(seed: int, days: list[Kind | None], n_first: int = 1) -> list[Finding]:
    """Answers day by day; a tenth to four tenths of the days cannot be judged."""
    rng = np.random.default_rng([seed, 31])
    error, gaps = float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.1, 0.4))
    weak, misses = float(rng.uniform(0.3, 0.65)), float(rng.uniform(0.3, 0.8))
    found: list[Finding] = []
    for number, kind in enumerate(days, n_first):
        size = misses if kind == "misses" else weak
        cannot = rng.random() < gaps
        found += unknown(number, ROW) if cannot else judged(rng, number, kind, size, error)
    return found


def kind_of(seed: int) -> Kind:
    return KINDS[seed % len(KINDS)]


def share(hits: list[bool]) -> float:
    return sum(hits) / len(hits)


def is_steady(found: list[Case]) -> bool:
    return len(found) == 1 and [one.news for one in found[0].history] == [News.OPENED]


@pytest.mark.parametrize("kind", KINDS)
def test_a_standing_fault_is_one_opening_and_nothing_else(kind: Kind) -> None:
    seeds = [n for n in range(N_TRIALS) if kind_of(n) == kind]
    lives = [cases(N_DAYS, life(n, [kind] * N_DAYS)) for n in seeds]
    assert share([is_steady(found) for found in lives]) >= 0.99


def repaired(seed: int, *, helps: bool) -> Check:
    """What is said of a repair after ten days of a fault, by the second day after it.

    Both can be judged: a day that cannot decides nothing.
    """
    kind = kind_of(seed)
    rng = np.random.default_rng([seed, 32])
    before = life(seed, [kind] * 10)
    size = float(rng.uniform(0.3, 0.65))
    after = [
        one
        for number in (11, 12)
        for one in judged(rng, number, None if helps else kind, size, 0.015)
    ]
    log = entry(10, Work.DIAPHRAGMS_RENEWED, ROW)
    checks = [
        repair.check
        for until in (11, 12)
        for case in cases(until, [*before, *after], log)
        for repair in case.repairs
    ]
    return next((one for one in checks if one is not Check.WAITING), Check.WAITING)


def test_a_repair_that_helps_is_verified_within_two_days() -> None:
    checks = [repaired(n, helps=True) for n in range(N_TRIALS)]
    assert share([one is Check.VERIFIED for one in checks]) >= 0.95


def test_a_repair_that_does_not_help_is_contradicted_within_two_days() -> None:
    checks = [repaired(n, helps=False) for n in range(N_TRIALS)]
    assert share([one is Check.CONTRADICTED for one in checks]) >= 0.95


@dataclass(frozen=True)
class Levelled:
    """A fault whose rule counts what is usual anew after the work that should mend it.

    Attributes:
        says: what the rule says meanwhile, whether it was mended or not.
        ratios: fault's level over the usual one.
        after: level of a mended place over the usual one.
        noise: of a day, relative.
    """

    rule: str
    subject: Subject
    work: Work
    level: str
    says: Verdict
    ratios: tuple[float, float]
    after: tuple[float, float]
    noise: tuple[float, float]


HEADER, HOUSE = row(2, 0), Subject("BH1")
# Ratios from the limit of the rule on; noise as the rules' own allowances state it.
LEVELLED = {
    "leak": Levelled(
        *("header_leak", HEADER, Work.AIR_MENDED, "plateau_pa", Verdict.CANNOT_TELL),
        *((0.85, 0.975), (0.998, 1.02), (0.001, 0.004)),
    ),
    "feed": Levelled(
        *("slow_header_recovery", HEADER, Work.AIR_MENDED, "tau_s", Verdict.CLEAR),
        *((1.5, 3.0), (0.9, 1.05), (0.01, 0.06)),
    ),
    "supply": Levelled(
        *("supply_short", HOUSE, Work.AIR_MENDED, "plateau_pa", Verdict.CLEAR),
        *((0.75, 0.91), (0.99, 1.02), (0.005, 0.02)),
    ),
    "cloth": Levelled(
        *("rising_residual_dp", HOUSE, Work.BAGS_CHANGED, "level", Verdict.CANNOT_TELL),
        *((1.1, 1.4), (0.6, 1.0), (0.003, 0.025)),
    ),
}


def levelled(fault: Levelled, seed: int, *, helps: bool) -> Check:
    """Return what is said, by the second day after it, of a repair after a week of a fault."""
    rng = np.random.default_rng([seed, 33])
    ratio, mended, noise = (rng.uniform(*one) for one in (fault.ratios, fault.after, fault.noise))
    found = []
    for number in (*range(1, 9), 10, 11):
        is_new = number > 9
        level = (mended if is_new and helps else ratio) * (1 + noise * rng.standard_normal())
        values = {fault.level: level} | ({} if is_new else {f"usual_{fault.level}": 1.0})
        verdict = fault.says if is_new else Verdict.FOUND
        watch = Urgency.WATCH
        found.append(answer(number, fault.rule, fault.subject, verdict, watch, None, **values))
    log = entry(9, fault.work, fault.subject)
    checks = [
        repair.check
        for until in (10, 11)
        for case in cases(until, found, log)
        for repair in case.repairs
    ]
    return next((one for one in checks if one is not Check.WAITING), Check.WAITING)


@pytest.mark.parametrize("kind", LEVELLED)
@pytest.mark.parametrize(("helps", "said"), [(True, Check.VERIFIED), (False, Check.CONTRADICTED)])
def test_a_repair_is_held_against_the_level_before_it_within_two_days(
    kind: str, said: Check, *, helps: bool
) -> None:
    checks = [levelled(LEVELLED[kind], n, helps=helps) for n in range(60)]
    assert share([one is said for one in checks]) >= 0.95
    assert helps or Check.VERIFIED not in checks
