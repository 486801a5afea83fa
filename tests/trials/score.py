"""Right and wrong verdicts counted, with exact intervals, and measured facts against the truth."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.stats import beta

from rowcall.model import Verdict
from trials.header_day import RowLabel
from trials.judging import Outcome
from trials.rows import Kind
from trials.trial import Trial

LEVEL = 0.95
NORMAL_95 = 1.959964  # two-sided 95 % of the normal distribution
RULE_OF: Mapping[Kind, str] = {
    Kind.SILENT: "row_silent",
    Kind.FAINT: "row_weak",
    Kind.DRAWN_OUT: "row_closes_late",
    Kind.INTERMITTENT: "row_silent",
}
# Measured fact -> its stated standard error; recovery_s is the header's.
MEASURED = {
    "drop_ratio": "drop_ratio_error",
    "tau_s": "tau_log_error",
    "late_s": "late_s_error",
    "recovery_s": "recovery_log_error",
}
_LOGARITHMIC = frozenset({"tau_s", "recovery_s"})
# Edges of what is planted, by which the share found is printed.
BINS: Mapping[Kind, tuple[float, ...]] = {
    Kind.FAINT: (0.3, 0.5, 0.6, 0.7, 0.8, 0.9),
    Kind.DRAWN_OUT: (0.1, 0.2, 0.3, 0.4, 0.7, 1.2, 2.0),
}


@dataclass(slots=True)
class Tally:
    """Counts over trials.

    rows: row-days by kind. said: by (kind, rule, verdict). wrong: row-days with a found that is
    not theirs, by kind. whole: trials in which a rule found something of the whole header.
    errors: by fact, (error, stated standard error or nan) of every row-day that has both truths;
    of the logarithm for times of recovery, else absolute; late_s of late rows, against what was
    planted. withheld: row-days of which the truth is known and the fact or its error is not.
    sized: faults by (kind, lower edge of its bin, was found). find_events_s: by trial, scaled to a
    day of 24 h. misses: a line for every fault that was not found and every found that is not
    theirs.
    """

    rows: Counter[Kind] = field(default_factory=Counter)
    said: Counter[tuple[Kind, str, Verdict]] = field(default_factory=Counter)
    wrong: Counter[Kind] = field(default_factory=Counter)
    sized: Counter[tuple[Kind, float, bool]] = field(default_factory=Counter)
    whole: int = 0
    errors: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    withheld: Counter[str] = field(default_factory=Counter)
    find_events_s: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    def add(self, trial: Trial, outcome: Outcome, recovery_s: float = math.nan) -> None:
        """Count one trial; `recovery_s` is that of its header, nan where it does not count."""
        self._measure(outcome, 0, "recovery_s", recovery_s)
        rules = {rule for rule, _ in outcome.verdicts}
        self.find_events_s.append(outcome.find_events_s * 24.0 / trial.condition.hours)
        self.whole += any(
            row == 0 and verdict is Verdict.FOUND for (_, row), verdict in outcome.verdicts.items()
        )
        for label in trial.labels:
            self.rows[label.kind] += 1
            found = set()
            for rule in rules:
                verdict = outcome.verdicts[rule, label.row]
                self.said[label.kind, rule, verdict] += 1
                if verdict is Verdict.FOUND:
                    found.add(rule)
            own = RULE_OF.get(label.kind)
            self.wrong[label.kind] += bool(found - {own})
            if found - {own} or (own in rules and own not in found):
                self.misses.append(_told(trial, label, outcome))
            if label.kind is not Kind.INTERMITTENT:  # half of its drops are none: no one number
                self._measure(outcome, label.row, "drop_ratio", label.drop_ratio)
                self._measure(outcome, label.row, "tau_s", label.tau_s)
            plan = trial.header.rows[label.row - 1]
            if label.kind is Kind.DRAWN_OUT:
                self._measure(outcome, label.row, "late_s", plan.late_s)
            if label.kind in BINS and own in rules:
                size = plan.late_s if label.kind is Kind.DRAWN_OUT else plan.drop_share
                edge = max(edge for edge in BINS[label.kind] if edge <= size)
                self.sized[label.kind, edge, own in found] += 1

    def _measure(self, outcome: Outcome, row: int, name: str, truth: float) -> None:
        value = outcome.facts.get((row, name))
        stated = outcome.facts.get((row, MEASURED[name]), math.nan)
        if not math.isfinite(truth):
            return
        self.withheld[name] += value is None or not math.isfinite(stated)
        if value is None:
            return
        error = math.log(value / truth) if name in _LOGARITHMIC else value - truth
        self.errors.setdefault(name, []).append((error, stated))

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally."""
        self.rows += other.rows
        self.said += other.said
        self.wrong += other.wrong
        self.sized += other.sized
        self.withheld += other.withheld
        self.whole += other.whole
        for name, pairs in other.errors.items():
            self.errors.setdefault(name, []).extend(pairs)
        self.find_events_s += other.find_events_s
        self.misses += other.misses


def _told(trial: Trial, label: RowLabel, outcome: Outcome) -> str:
    """One row-day in words: as planted, as it shows, and what was said and measured."""
    plan = trial.header.rows[label.row - 1]
    late = f", {plan.late_s:.2f} s late at {plan.late_flow:.2f}" if plan.late_s else ""
    late += f", {plan.drop_share:.2f} of its drop" if plan.drop_share != 1.0 else ""
    said = "; ".join(
        f"{rule} {verdict}" for (rule, row), verdict in outcome.verdicts.items() if row == label.row
    )
    names = (*MEASURED, *MEASURED.values(), "n_judged", "n_answered")
    facts = ", ".join(
        f"{name} {outcome.facts[label.row, name]:.3g}"
        for name in names
        if (label.row, name) in outcome.facts
    )
    return (
        f"seed {trial.seed}, row {label.row}: {label.kind}{late}; drop ratio "
        f"{label.drop_ratio:.2f}, minimum after {label.minimum_after_s:.2f} s, answered "
        f"{label.n_answered} of {label.n_called}, tau {label.tau_s:.2f} s | {said} | {facts}"
    )


def interval(k: int, n: int) -> tuple[float, float]:
    """Exact (Clopper-Pearson) 95 % interval of a share k / n."""
    tail = (1.0 - LEVEL) / 2.0
    low = 0.0 if k == 0 else float(beta.ppf(tail, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(1.0 - tail, k + 1, n - k))
    return low, high


def lines_of(tally: Tally, rules: Iterable[str]) -> list[str]:
    """Return the tally as text, one line a thing."""
    known = set(rules)
    lines = [_recall(tally, kind, known) for kind in RULE_OF]
    lines += [_by_size(tally, kind) for kind in BINS if tally.rows[kind]]
    sound = (Kind.HEALTHY, Kind.NOT_CALLED, Kind.FEWER_BAGS)
    lines += [_wrong(tally, kind) for kind in sound if tally.rows[kind] or kind is Kind.HEALTHY]
    lines.append(_cannot_tell(tally, sorted(known)))
    lines += [_measured(tally, name) for name in MEASURED]
    took = float(np.median(tally.find_events_s))
    lines.append(f"whole headers found: {tally.whole}; find_events: median {took:.3f} s a day")
    return lines


def share_words(k: int, n: int, times: float = 100.0, unit: str = " %") -> str:
    """Return a share with its exact interval in words."""
    if n == 0:
        return "no trial"
    low, high = interval(k, n)
    return f"{times * k / n:5.1f}{unit} [{times * low:.1f}, {times * high:.1f}] ({k} of {n})"


def _recall(tally: Tally, kind: Kind, known: set[str]) -> str:
    rule, n = RULE_OF[kind], tally.rows[kind]
    head = f"{kind.value + ':':14}"
    if rule not in known:
        return f"{head}missing: there is no rule {rule} ({n} row-days)"
    found = tally.said[kind, rule, Verdict.FOUND]
    open_ = tally.said[kind, rule, Verdict.CANNOT_TELL]
    return (
        f"{head}found {share_words(found, n)}, cannot tell {open_}, "
        f"clear {tally.said[kind, rule, Verdict.CLEAR]}, found as something else "
        f"{tally.wrong[kind]}"
    )


def _by_size(tally: Tally, kind: Kind) -> str:
    """Found of all planted, by the size of the fault."""
    parts = []
    for low, high in pairwise(BINS[kind]):
        found, missed = (tally.sized[kind, low, was_found] for was_found in (True, False))
        if found + missed:
            parts.append(f"{low:g}-{high:g}: {found} of {found + missed}")
    unit = "s late" if kind is Kind.DRAWN_OUT else "of its drop"
    return f"{kind.value}, {unit}: {'; '.join(parts)}"


def _wrong(tally: Tally, kind: Kind) -> str:
    share = share_words(tally.wrong[kind], tally.rows[kind], 1e4, " in 10,000")
    by_rule = {
        rule: n
        for (of, rule, verdict), n in sorted(tally.said.items())
        if of is kind and verdict is Verdict.FOUND
    }
    return f"{kind.value + ':':14}false {share} {by_rule or ''}".rstrip()


def _cannot_tell(tally: Tally, rules: list[str]) -> str:
    n = tally.rows[Kind.HEALTHY]
    parts = [
        f"{rule} {share_words(tally.said[Kind.HEALTHY, rule, Verdict.CANNOT_TELL], n)}"
        for rule in rules
    ]
    return "healthy, cannot tell: " + "; ".join(parts)


def table_line(tally: Tally, name: str) -> str:
    """Return bias, typical error, coverage and what is withheld as cells of a Markdown table."""
    pairs = np.array(tally.errors.get(name, []), np.float64).reshape(-1, 2)
    error, stated = pairs[np.isfinite(pairs).all(axis=1)].T
    n, withheld = error.size, tally.withheld[name]
    asked = n + withheld
    open_ = f"{100 * withheld / asked:.0f} % of {asked}" if asked else "-"
    if not n:
        return f"- | - | - | {open_}"
    k = int((np.abs(error) <= NORMAL_95 * stated).sum())
    middle, typical = 100 * np.median(error), 100 * np.median(np.abs(error))
    return f"{middle:+.1f} % | {typical:.1f} % | {k}/{n} = {100 * k / n:.0f} % | {open_}"


def _measured(tally: Tally, name: str) -> str:
    pairs = np.array(tally.errors.get(name, []), np.float64).reshape(-1, 2)
    head = f"{name + ':':14}"
    if not pairs.size:
        return f"{head}no fact"
    error, stated = pairs.T
    text = f"{head}median error {np.median(np.abs(error)):.3f}, bias {np.median(error):+.3f}"
    text += f" ({error.size} row-days)"
    has = np.isfinite(stated)
    if not has.any():
        return f"{text}; missing: no fact {MEASURED[name]}"
    inside = np.abs(error[has]) <= NORMAL_95 * stated[has]
    return (
        f"{text}; 95 % interval holds the truth in {share_words(int(inside.sum()), int(has.sum()))}"
    )
