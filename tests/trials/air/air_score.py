"""Air trials counted: faults found at their place, false findings of any rule, facts and truth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from rowcall.model import Answer, FactBook, Subject, Verdict
from trials.air.air_faults import FAULTS, AirFault
from trials.air.air_judging import Answers, Judged
from trials.score import NORMAL_95, share_words

# Which rules name a fault; the place is that of `_places`.
RULES_OF: Mapping[str, frozenset[str]] = {
    "feed": frozenset({"slow_header_recovery"}),
    "leak": frozenset({"header_leak"}),
    "short": frozenset({"supply_short"}),
}
# Fact -> its truths, the fact that states its standard error, and whether that is relative. Times
# are stated of a drop from the plateau (alone); of headers that never fill others are in operation.
MEASURED: Mapping[str, tuple[tuple[str, ...], str, bool]] = {
    "tau_s": (("t63_s", "alone63_s"), "tau_log_error", True),
    "recovery_s": (("t95_s", "alone95_s"), "recovery_log_error", True),
    "plateau_pa": (("plateau_pa",), "plateau_error_pa", False),
    "shortfall_pa": (("shortfall_pa",), "shortfall_error_pa", False),
    "drop_pa": (("drop_pa",), "drop_error_pa", False),
}
_HOUR_S = 3600.0
_HOURS_OFF_S = 1.01 * _HOUR_S  # begin and end of a shortage are given by the hour
Said = tuple[str, Subject]


def parts_of(fault: AirFault) -> list[str]:
    """What a line of the table plants: feed, leak, short."""
    planted = {"feed": fault.feed < 1.0, "leak": fault.leak > 0.0, "short": fault.is_short}
    return [name for name, is_planted in planted.items() if is_planted]


def found_in(answers: Answers) -> dict[Said, Answer]:
    """What was found."""
    return {key: one for key, one in answers.items() if one.verdict is Verdict.FOUND}


def right(judged: Judged, part: str) -> list[Answer]:
    """Findings that name a planted part at its place; nothing is said of its hours."""
    place = 0 if part == "short" else judged.planted.compartment
    return [
        answer
        for (rule, subject), answer in found_in(judged.answers).items()
        if rule in RULES_OF[part] and (subject.compartment, subject.row) == (place, 0)
    ]


def is_false(judged: Judged, subject: Subject) -> bool:
    """Whether nothing is wrong at a subject of a day with faults."""
    parts = parts_of(judged.planted.fault)
    at_header = {"feed", "leak"} & set(parts) and subject.compartment == judged.planted.compartment
    of_supply = "short" in parts and subject.compartment == 0
    return subject.row > 0 or not (at_header or of_supply)


@dataclass(slots=True)
class AirTally:
    """Counts over trials of one physics and condition.

    trials, found, hours: by (fault, part): trials, found at its place, with its hours right to an
    hour. beside: by fault and rule, findings at a place where nothing is wrong. sound_days,
    false_days: days with nothing planted; those with a finding, by fault. false: by (fault, rule,
    urgency), such days. errors: by fact (`rows` of it apart) and fault: (relative error, inside the
    stated interval or nan).
    """

    trials: Counter[tuple[str, str]] = field(default_factory=Counter)
    found: Counter[tuple[str, str]] = field(default_factory=Counter)
    hours: Counter[tuple[str, str]] = field(default_factory=Counter)
    beside: Counter[tuple[str, str]] = field(default_factory=Counter)
    sound_days: Counter[str] = field(default_factory=Counter)
    false_days: Counter[str] = field(default_factory=Counter)
    false: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    errors: dict[tuple[str, str], list[tuple[float, float]]] = field(default_factory=dict)
    took_s: list[float] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    def add(self, judged: Judged, label: str) -> None:
        """Count one trial; `label` says how to make it again."""
        fault = judged.planted.fault
        self.took_s.append(judged.took_s)
        if fault.is_sound:
            self._sound(judged, fault.name, label)
        for part in parts_of(fault):
            self._part(judged, part, label)
        if not fault.is_sound:
            for rule, subject in found_in(judged.answers):
                if is_false(judged, subject):
                    self.beside[fault.name, rule] += 1
                    self.misses.append(f"{label}: {_says(judged.answers, (rule, subject))}")
        self._measure(judged)

    def _sound(self, judged: Judged, name: str, label: str) -> None:
        days: dict[Said, list[str]] = {}
        for day, answers in enumerate(judged.sound, start=1):
            found = found_in(answers)
            for key in found:
                days.setdefault(key, []).append(f"{day}: {_says(answers, key)}")
            self.sound_days[name] += 1
            self.false_days[name] += bool(found)
            kinds = {(rule, str(one.urgency)) for (rule, _), one in found.items()}
            self.false.update((name, rule, urgency) for rule, urgency in kinds)
        self.misses += [f"{label}, {len(said)} days, day {said[-1]}" for said in days.values()]

    def _part(self, judged: Judged, part: str, label: str) -> None:
        fault, planted = judged.planted.fault, judged.planted
        said = right(judged, part)
        self.trials[fault.name, part] += 1
        self.found[fault.name, part] += bool(said)
        if said and np.isfinite(size := _size_error(judged, part, said[0])):
            pair = (size, _is_size_inside(judged, said[0]))
            self.errors.setdefault((f"size of {part}", fault.name), []).append(pair)
        if part == "short" and said:
            off = _off_hours(judged, said[0])
            self.hours[fault.name, part] += off <= _HOURS_OFF_S
        if not said:
            place = 0 if part == "short" else planted.compartment
            about = [
                _says(judged.answers, (rule, subject))
                for rule, subject in judged.answers
                if rule in RULES_OF[part] and (subject.compartment, subject.row) == (place, 0)
            ]
            self.misses.append(f"{label}: {part} at {place} not found: {' | '.join(about)}")

    def _measure(self, judged: Judged) -> None:
        named = {
            (fact.column, c, row): value
            for (fact, c, row), value in FactBook(judged.day.facts).items()
            if c > 0
        }
        for (name, c, row), value in named.items():
            truths, stated, is_relative = MEASURED.get(name, ((), "", False))
            error = named.get((stated, c, row), np.nan) * (value if is_relative else 1.0)
            for of in truths:
                truth = judged.truth.get((c, row, of), np.nan)
                if not np.isfinite(truth):
                    continue
                inside = float(abs(value - truth) <= NORMAL_95 * error) if error > 0.0 else np.nan
                over = judged.truth[c, row, "drop_pa"] if name == "shortfall_pa" else truth
                key = (f"{name}{' of rows' * (row > 0)} by {of}", judged.planted.fault.name)
                self.errors.setdefault(key, []).append(((value - truth) / over, inside))

    def merge(self, other: AirTally) -> None:
        """Add the counts of another tally."""
        for name in ("trials", "found", "hours", "beside", "sound_days", "false_days", "false"):
            getattr(self, name).update(getattr(other, name))
        for key, pairs in other.errors.items():
            self.errors.setdefault(key, []).extend(pairs)
        self.took_s += other.took_s
        self.misses += other.misses


def _says(answers: Answers, key: Said) -> str:
    rule, subject = key
    answer = answers[key]
    urgency = f" ({answer.urgency})" if answer.urgency else ""
    place = f"{subject.compartment}/{subject.row}"
    return f"{rule} at {place} {answer.verdict}{urgency}: {answer.text}"


def _size_error(judged: Judged, part: str, answer: Answer) -> float:
    """Relative error of the printed depth of a leak or shortage; nan where none is printed."""
    values = {quantity.name: quantity.value for quantity in answer.values}
    if part == "leak":
        return (1.0 - values.get("plateau_ratio", np.nan)) / judged.planted.fault.leak - 1.0
    depths = [
        pressure / values[f"plateau_ratio_header_{name.removeprefix('plateau_pa_header_')}"]
        - pressure
        for name, pressure in values.items()
        if name.startswith("plateau_pa_header_")
    ]
    if part == "feed" or not depths:
        return np.nan
    return float(np.median(depths)) / judged.planted.short_pa - 1.0


def _is_size_inside(judged: Judged, answer: Answer) -> float:
    """1 where the stated interval holds a leak's planted depth, 0 where not, nan without one."""
    values = {quantity.name: quantity.value for quantity in answer.values}
    if "plateau_ratio_low" not in values:
        return np.nan
    true = 1.0 - judged.planted.fault.leak
    return float(values["plateau_ratio_low"] <= true <= values["plateau_ratio_high"])


def _off_hours(judged: Judged, answer: Answer) -> float:
    """How far begin or end of a finding lie from those of the shortage [s]; inf without them."""
    if answer.start is None or answer.end is None:
        return np.inf
    start_s, end_s = (
        (at - judged.day.start).total_seconds() + 86_400.0 * judged.plan.judged_day
        for at in (answer.start, answer.end)
    )
    begin, end = judged.planted.short_s
    return max(abs(start_s - begin), abs(end_s - end))


def lines_of(tally: AirTally) -> Iterator[str]:
    """Return the tally as text, one line a thing."""
    for fault in FAULTS:
        for part in parts_of(fault):
            n, k = tally.trials[fault.name, part], tally.found[fault.name, part]
            if n:
                hours = f", hours right {tally.hours[fault.name, part]}" if part == "short" else ""
                yield f"{f'{fault.name}: {part}':32} found {share_words(k, n)}{hours}"
        beside = {rule: n for (name, rule), n in tally.beside.items() if name == fault.name}
        if beside:
            yield f"{fault.name + ':':32} found where nothing is wrong: {beside}"
        if tally.sound_days[fault.name]:
            yield _false(tally, fault.name)
    for name in sorted({name for name, _ in tally.errors}):
        yield from _measured(tally, name)
    yield f"a day takes {np.median(tally.took_s):.2f} s (median)"


def _false(tally: AirTally, name: str) -> str:
    n, k = tally.sound_days[name], tally.false_days[name]
    by = {f"{rule}, {u}": m for (of, rule, u), m in sorted(tally.false.items()) if of == name}
    return f"{name + ':':32} false days {share_words(k, n)} {by or ''}".rstrip()


def _measured(tally: AirTally, name: str) -> Iterator[str]:
    """A line for sound, slow and all faulty trials each."""
    groups: dict[str, list[tuple[float, float]]] = {}
    for (of, fault), pairs in tally.errors.items():
        if of == name:
            groups.setdefault(fault if fault.startswith("none") else "faulty", []).extend(pairs)
    for group, pairs in sorted(groups.items()):
        error, inside = np.array(pairs).T
        low, middle, high = np.quantile(error, (0.05, 0.5, 0.95))
        text = (
            f"bias {middle:+.1%}, 90 % of errors within {low:+.1%} and {high:+.1%} ({error.size})"
        )
        known = inside[np.isfinite(inside)]
        if known.size:
            text += f"; 95 % interval covers {share_words(int(known.sum()), known.size)}"
        yield f"{f'{name}, {group}':32} {text}"
