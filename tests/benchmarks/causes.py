"""Whether one fault of the air or of a row makes one case with the right cause, and two make two.

    python tests/benchmarks/causes.py [--trials 6] [--seed 8300] [--physics net]
        [--fault "row late"]

Not a test. Faults are planted on the last day of baghouses of 2-4 headers (`tests/trials/air`), all
days are judged with all rules and the cases of the last one made. Printed: jobs and first causes by
fault; how often causes of headers are right by the probability they are given; and how often each
piece of evidence holds of a header's case given its cause, with the natural logarithm of the
likelihood ratio against all causes planted (0.5 added to counts), which weights are rounded from.
Weights are fitted to seeds from 7300 on; what is reported uses others.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from trials.air.air_faults import DAY_S, AirFault, Planted
from trials.air.air_judging import PHYSICS, PhysicsName, next_day, sound_days
from trials.air.air_keeping import condition_of
from trials.air.air_plan import AirPlan, Pulses, draw_plan
from trials.by_plant import START
from trials.schedule import Floats
from trials.score import share_words

from rowcall.diagnosis.rule_book import load_families, load_rules
from rowcall.memory.cases import Remembered, cases_on
from rowcall.memory.places import places
from rowcall.memory.signs import Material
from rowcall.memory.weighing import holds
from rowcall.model import Case, Finding, State, Subject, WorkLog
from rowcall.site import UnitsTable

DAYS = 6  # five sound ones: rules ask for so many to know what is usual
_CONDITION = condition_of("1 s")
_JUDGED_S = DAY_S * (DAYS - 1)
_SHORT = 0.4  # share of an interval that recovers 80-95 % of a drop; chosen: then 47-70 %
_BINS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)

Key = tuple[str, Subject]  # family and place of a case


_NONE = AirFault(name="none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What is planted on the judged day.

    Attributes:
        air: on the header of one compartment, or the supply; cause: what that is.
        row: on one row, of the compartment after that one.
        header: silent: all its rows; interval: all headers are pulsed too fast.
        feed_elsewhere: conductance left of the feed of the compartment after the air's.
    """

    name: str
    air: AirFault = _NONE
    cause: str = ""
    row: Literal["", "silent", "late"] = ""
    header: Literal["", "silent", "interval"] = ""
    feed_elsewhere: float = 1.0

    @property
    def n_places(self) -> int:
        """How many faults are planted."""
        parts = (self.cause, self.air.is_short, self.row, self.header, self.feed_elsewhere < 1)
        return sum(map(bool, parts))


_LEAK = AirFault(name="leak 8 %", leak=0.08)
_FEED = AirFault(name="feed 1/3", feed=1 / 3)
_SHORTAGE = AirFault(name="supply short", is_short=True)
FAULTS = (
    # First, so that the sound days of the others stay at hand.
    Fault(
        name="interval too short", air=AirFault(name="none, slow", is_slow=True), header="interval"
    ),
    Fault(name="leak 5 %", air=AirFault(name="leak 5 %", leak=0.05), cause="leak"),
    Fault(name="leak 10 %", air=AirFault(name="leak 10 %", leak=0.1), cause="leak"),
    Fault(name="feed 1/2", air=AirFault(name="feed 1/2", feed=0.5), cause="feed"),
    Fault(name="feed 1/3", air=_FEED, cause="feed"),
    Fault(name="header shut off", air=AirFault(name="shut", feed=1e-5), cause="no_air"),
    Fault(name="header silent", header="silent"),
    Fault(name="supply short", air=_SHORTAGE),
    Fault(name="row late", row="late"),
    Fault(name="row silent", row="silent"),
    Fault(name="leak, and a row silent elsewhere", air=_LEAK, cause="leak", row="silent"),
    Fault(name="feed, and a row late elsewhere", air=_FEED, cause="feed", row="late"),
    Fault(name="leak, and feed elsewhere", air=_LEAK, cause="leak", feed_elsewhere=1 / 3),
    Fault(name="supply short, and a row silent", air=_SHORTAGE, row="silent"),
    Fault(
        name="supply short, and feed of one",
        air=AirFault(name="feed and short", feed=1 / 3, is_short=True),
        cause="feed",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TwoPlaces(Planted):
    """A feed that is restricted beside what is planted."""

    other: int
    other_feed: float

    def feed(self, compartment: int, at_s: Floats) -> Floats:
        own = Planted.feed(self, compartment, at_s)
        share = self.other_feed if compartment == self.other else 1.0
        return own * np.where(at_s >= self.from_s, share, 1.0)


@dataclass(frozen=True, slots=True)
class Trial:
    """What all rules said of one baghouse, and the cases that should be jobs with their causes."""

    label: str
    fault: Fault
    answers: tuple[Finding, ...]
    rows: int
    truth: Mapping[Key, frozenset[str]]


@dataclass(slots=True)
class Tally:
    """Counts over trials, see the module."""

    n: Counter[str] = field(default_factory=Counter)
    unseen: Counter[str] = field(default_factory=Counter)
    right: Counter[str] = field(default_factory=Counter)
    misses: list[str] = field(default_factory=list)
    given: list[tuple[float, bool]] = field(default_factory=list)
    holds: Counter[tuple[str, str]] = field(default_factory=Counter)
    fails: Counter[tuple[str, str]] = field(default_factory=Counter)


def run_trial(seed: int, physics: PhysicsName, fault: Fault) -> Trial:
    """Make one baghouse and judge its days."""
    plan, row = _planted(seed, fault)
    past = sound_days(seed, physics, _CONDITION, fault.air.sound, DAYS, DAYS - 1)
    past = next_day(past, PHYSICS[physics](plan, (_JUDGED_S, DAY_S * DAYS)), _CONDITION)
    findings = [
        Finding(START.date() + timedelta(days=n), rule, answer)
        for n, answers in enumerate(past.answers)
        for (rule, _), answer in answers.items()
    ]
    label = f"seed {seed}, {physics}, {fault.name}"
    rows = plan.compartments * plan.rows
    return Trial(label, fault, tuple(findings), rows, _truth(plan, fault, row))


def _planted(seed: int, fault: Fault) -> tuple[AirPlan, int]:
    """Return a plan with its faults, and the row whose valve fails."""
    plan = draw_plan(seed, fault.air, DAYS)
    row = int(np.random.default_rng([seed, 21]).integers(1, plan.rows, endpoint=True))
    pulses, late_s = plan.pulses, 0.4 + 0.3 * float(np.random.default_rng([seed, 22]).random())
    is_new = pulses.at_s >= _JUDGED_S
    here = is_new & (pulses.compartment == _after(plan)) & (pulses.row == row)
    if fault.row == "late":
        pulses = replace(pulses, late_s=np.where(here, late_s, 0.0))
    if fault.row == "silent":
        pulses = replace(pulses, drop_frac=np.where(here, 0.0, pulses.drop_frac))
    if fault.header == "silent":
        all_rows = is_new & (pulses.compartment == plan.planted.compartment)
        pulses = replace(pulses, drop_frac=np.where(all_rows, 0.0, pulses.drop_frac))
    if fault.header == "interval":
        pulses = _quickened(pulses)
    planted = plan.planted
    if fault.feed_elsewhere < 1:
        own = {name: getattr(planted, name) for name in Planted.__slots__}
        planted = _TwoPlaces(**own, other=_after(plan), other_feed=fault.feed_elsewhere)
    return replace(plan, pulses=pulses, planted=planted), row


def _after(plan: AirPlan) -> int:
    return plan.planted.compartment % plan.compartments + 1


def _quickened(pulses: Pulses) -> Pulses:
    """Return pulses that follow each other faster on the judged day."""
    before = pulses.of(pulses.at_s < _JUDGED_S)
    day = pulses.between(_JUDGED_S, _JUDGED_S + DAY_S)
    turns = math.ceil(1 / _SHORT)
    parts = {name: np.tile(getattr(day, name), turns) for name in Pulses.__slots__}
    since_s = (np.arange(turns)[:, None] * DAY_S + day.at_s - _JUDGED_S).ravel() * _SHORT
    parts["at_s"] = np.round(_JUDGED_S + since_s, 6)
    return Pulses(
        **{
            name: np.concatenate((getattr(before, name), part[since_s < DAY_S]))
            for name, part in parts.items()
        }
    )


def _truth(plan: AirPlan, fault: Fault, row: int) -> dict[Key, frozenset[str]]:
    """Return the cases that should be jobs, and which causes are right."""
    truth = {}
    header = Subject("BH1", plan.planted.compartment)
    other = Subject("BH1", _after(plan))
    if fault.cause:
        truth["header", header] = frozenset({fault.cause})
    if fault.feed_elsewhere < 1:
        truth["header", other] = frozenset({"feed"})
    if fault.header == "silent":
        truth["header", header] = frozenset({"shared_electrics"})
    if fault.header == "interval":
        for compartment in range(1, plan.compartments + 1):
            truth["header", Subject("BH1", compartment)] = frozenset({"interval"})
    if fault.air.is_short:  # whose fault that is the pressure does not show
        truth["plant-air", Subject("BH1")] = frozenset({"other_users", "air_plant"})
    if fault.row:
        right = {"worn_diaphragm"} if fault.row == "late" else {"no_current", "stuck_shut"}
        truth["valve", Subject("BH1", other.compartment, row)] = frozenset(right)
    return truth


def add(tally: Tally, trial: Trial) -> None:
    """Make the cases of a trial and count them."""
    cases = _cases(trial)
    name, jobs = trial.fault.name, {(one.family, one.subject): one for one in cases if one.is_job}
    tally.n[name] += 1
    tally.unseen[name] += not jobs
    # A setting of all headers need not be found on each of them.
    is_all = jobs.keys() == trial.truth.keys() or trial.fault.header == "interval"
    nothing: frozenset[str] = frozenset()
    is_right = (
        bool(jobs)
        and is_all
        and all(case.causes[0].name in trial.truth.get(key, nothing) for key, case in jobs.items())
    )
    tally.right[name] += is_right
    if jobs and not is_right:
        tally.misses.append(f"{trial.label}: {'; '.join(map(_words, jobs.values()))}")
    for (family, subject), case in jobs.items():
        if family == "header":
            causes = trial.truth.get((family, subject), nothing)
            tally.given += [(one.probability, one.name in causes) for one in case.causes]
            for cause in causes:
                _count(tally, cause, case, cases, trial)


def _cases(trial: Trial) -> tuple[Case, ...]:
    known = Remembered(answers=trial.answers, work=WorkLog(()), facts={}, rows={"BH1": trial.rows})
    day = max(one.day for one in trial.answers)
    return cases_on(
        day,
        known,
        families=load_families(),
        rules=load_rules(),
        zone=ZoneInfo("UTC"),
        units=UnitsTable().scales,
    )


def _words(case: Case) -> str:
    place = f"{case.subject.compartment}/{case.subject.row}"
    rules = ", ".join(one.rule for one in case.findings)
    first = case.causes[0]
    return f"{case.family} {place} {first.name} {first.probability:.2f} ({rules})"


def _count(tally: Tally, cause: str, case: Case, cases: Sequence[Case], trial: Trial) -> None:
    """Count what holds of a header's case, as the product sees it."""
    (family,) = [one for one in load_families() if one.key == case.family]
    (place,) = [one for one in places(trial.answers, [family]) if one.subject == case.subject]
    others = [one for one in cases if one.id != case.id and one.state is State.OPEN]
    material = Material(case, place, others, pl.DataFrame())
    for of in {one.of for any_cause in family.causes for one in any_cause.evidence}:
        is_so = holds(of, material)
        if is_so is not None:
            tally.holds[cause, of] += is_so
            tally.fails[cause, of] += not is_so


def lines_of(tally: Tally, faults: Sequence[Fault]) -> Iterator[str]:
    """Return the counts as text."""
    for n_places, title in ((1, "one fault, one job, right cause"), (2, "two faults, two jobs")):
        names = [one.name for one in faults if one.n_places == n_places]
        yield f"{title} (of those in which anything was found)"
        for name in names:
            n = tally.n[name] - tally.unseen[name]
            right = share_words(tally.right[name], n)
            yield f"  {name + ':':34} {right}, not found {tally.unseen[name]}"
        n = sum(tally.n[name] - tally.unseen[name] for name in names)
        yield f"  {'all:':34} {share_words(sum(tally.right[name] for name in names), n)}"
    yield "causes of headers by their probability: share that was right"
    for low, high in pairwise(_BINS):
        hits = [hit for p, hit in tally.given if low <= p < high or p == high == 1.0]
        yield f"  {low:.2f}-{high:.2f}: {share_words(sum(hits), len(hits))}"
    yield from _evidence_lines(tally)
    yield from tally.misses


def _evidence_lines(tally: Tally) -> Iterator[str]:
    """Return for every cause and piece of evidence: counts, and weights where it holds and not."""
    causes = sorted({cause for cause, _ in tally.holds})
    yield "evidence of headers: holds / does not (weights)"
    for of in sorted({of for _, of in tally.holds}):
        shares = {}
        for cause in causes:
            holds, fails = tally.holds[cause, of], tally.fails[cause, of]
            shares[cause] = (holds + 0.5) / (holds + fails + 1)
        mean = sum(shares.values()) / len(shares)
        parts = [
            f"{cause} {tally.holds[cause, of]}/{tally.fails[cause, of]} "
            f"({math.log(share / mean):+.1f}, {math.log((1 - share) / (1 - mean)):+.1f})"
            for cause, share in shares.items()
        ]
        yield f"  {of}: {'; '.join(parts)}"


def trials_of(
    seeds: Iterable[int], physics: Sequence[PhysicsName], faults: Sequence[Fault]
) -> Iterator[Trial]:
    """Make trials; the faults of one baghouse share its sound days."""
    for one in physics:
        for seed in seeds:
            for fault in faults:
                yield run_trial(seed, one, fault)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=6, help="baghouses a physics")
    parser.add_argument("--seed", type=int, default=8300, help="of the first one; the rest follow")
    parser.add_argument("--physics", choices=PHYSICS, action="append")
    names = [one.name for one in FAULTS]
    parser.add_argument("--fault", choices=names, action="append", metavar="FAULT")
    options = parser.parse_args()
    faults = [one for one in FAULTS if one.name in (options.fault or names)]
    seeds = range(options.seed, options.seed + options.trials)
    tally = Tally()
    for trial in trials_of(seeds, options.physics or list(PHYSICS), faults):
        add(tally, trial)
    for line in (f"seeds {seeds.start} to {seeds.stop - 1}", *lines_of(tally, faults)):
        print(line, flush=True)


if __name__ == "__main__":
    main()
