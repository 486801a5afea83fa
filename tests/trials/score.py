"""Right and wrong verdicts counted, with exact intervals, and measured facts against the truth."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

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
# Measured fact -> its stated standard error; tau's is that of its logarithm.
MEASURED = {"drop_ratio": "drop_ratio_error", "tau_s": "tau_log_error", "late_s": "late_s_error"}


@dataclass(slots=True)
class Tally:
    """Counts over trials.

    rows: row-days by kind. said: by (kind, rule, verdict). wrong: row-days with a found that is
    not theirs, by kind. whole: trials in which a rule found something of the whole header.
    errors: by fact, (error, stated standard error or nan) of every row-day that has both truths;
    absolute for drop_ratio and late_s (of rows found late, against the delay as planted), of the
    logarithm for tau_s. find_events_s: by trial, scaled to a day of
    24 h. misses: a line for every fault that was not found and every found that is not theirs.
    """

    rows: Counter[Kind] = field(default_factory=Counter)
    said: Counter[tuple[Kind, str, Verdict]] = field(default_factory=Counter)
    wrong: Counter[Kind] = field(default_factory=Counter)
    whole: int = 0
    errors: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    find_events_s: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    def add(self, trial: Trial, outcome: Outcome) -> None:
        """Count one trial."""
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
            if own == "row_closes_late" and own in found:
                self._measure(outcome, label.row, "late_s", trial.header.rows[label.row - 1].late_s)

    def _measure(self, outcome: Outcome, row: int, name: str, truth: float) -> None:
        value = outcome.facts.get((row, name))
        if value is None or not math.isfinite(truth):
            return
        stated = outcome.facts.get((row, MEASURED[name]), math.nan)
        error = math.log(value / truth) if name == "tau_s" else value - truth
        self.errors.setdefault(name, []).append((error, stated))

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally."""
        self.rows += other.rows
        self.said += other.said
        self.wrong += other.wrong
        self.whole += other.whole
        for name, pairs in other.errors.items():
            self.errors.setdefault(name, []).extend(pairs)
        self.find_events_s += other.find_events_s
        self.misses += other.misses


def _told(trial: Trial, label: RowLabel, outcome: Outcome) -> str:
    """One row-day in words: as planted, as it shows, and what was said and measured."""
    plan = trial.header.rows[label.row - 1]
    late = f", {plan.late_s:.2f} s late at {plan.late_flow:.2f}" if plan.late_s else ""
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
    lines += [_wrong(tally, kind) for kind in (Kind.HEALTHY, Kind.NOT_CALLED)]
    lines.append(_cannot_tell(tally, sorted(known)))
    lines += [_measured(tally, name) for name in MEASURED]
    took = float(np.median(tally.find_events_s))
    lines.append(f"whole headers found: {tally.whole}; find_events: median {took:.3f} s a day")
    return lines


def _share(k: int, n: int, times: float = 100.0, unit: str = " %") -> str:
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
        f"{head}found {_share(found, n)}, cannot tell {open_}, "
        f"clear {tally.said[kind, rule, Verdict.CLEAR]}, found as something else "
        f"{tally.wrong[kind]}"
    )


def _wrong(tally: Tally, kind: Kind) -> str:
    share = _share(tally.wrong[kind], tally.rows[kind], 1e4, " in 10,000")
    by_rule = {
        rule: n
        for (of, rule, verdict), n in sorted(tally.said.items())
        if of is kind and verdict is Verdict.FOUND
    }
    return f"{kind.value + ':':14}false {share} {by_rule or ''}".rstrip()


def _cannot_tell(tally: Tally, rules: list[str]) -> str:
    n = tally.rows[Kind.HEALTHY]
    parts = [
        f"{rule} {_share(tally.said[Kind.HEALTHY, rule, Verdict.CANNOT_TELL], n)}" for rule in rules
    ]
    return "healthy, cannot tell: " + "; ".join(parts)


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
    return f"{text}; 95 % interval holds the truth in {_share(int(inside.sum()), int(has.sum()))}"
