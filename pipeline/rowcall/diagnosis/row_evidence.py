"""What a day's facts say of one row, as the row rules weigh it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from rowcall.diagnosis.fact_book import Place
from rowcall.model import Answer, Verdict

SILENT_SHARE = 0.15  # chosen: between a faint row (30-60 % of its peers) and a silent one (0 %)
_FEWEST_AFTER = 20  # chosen: pulses after a change within the day that it takes to judge by them
_COMING = 10.0  # chosen: log-likelihoods; chance reaches so far once in some ten thousand row-days
_LEAST_RATE = 0.05  # chosen: fewer answers are wild points of a row that makes none, or many
_ERRORS = 3.5  # chosen: standard errors of certainty; one healthy row-day in 4,000 lies beyond


@dataclass(frozen=True, slots=True)
class RowEvidence:
    """Facts of one row on one day; nan where there is none.

    Attributes:
        called: fires, nan where bits miss most of them; of several days where one has few.
        days: number of days that all this is told from.
        heard, answered: fires that the header could tell of, and those of them with a drop.
        full_share: median share of the usual drop of the answered fires.
        ratio, ratio_error: drop as a share of the sound rows' from the stack; after the onset of
            a change within the day from what followed it.
        onset_s: when within the day it changed.
        before: share of the usual drop before that.
        coming_gain: log-likelihood by which "answers now and then" explains its pulses better
            than "always answers alike"; rate, rate_low, rate_high: the rate of answers then.
        in_step: sampling and pulses are in step.
    """

    called: float
    days: float
    heard: float
    answered: float
    full_share: float
    ratio: float
    ratio_error: float
    onset_s: float
    before: float
    coming_gain: float
    rate: float
    rate_low: float
    rate_high: float
    in_step: bool

    @property
    def is_surely_silent(self) -> bool:
        """The drop lies below that of any answer."""
        return self.ratio + _ERRORS * self.ratio_error < SILENT_SHARE

    @property
    def surely_answers(self) -> bool:
        """The drop lies above that of a silent row."""
        return self.ratio - _ERRORS * self.ratio_error > SILENT_SHARE

    @property
    def comes_and_goes(self) -> bool:
        """Its pulses, taken together, are of two kinds."""
        is_both = self.coming_gain >= _COMING and self.rate >= _LEAST_RATE
        return not self.changed and is_both

    @property
    def changed(self) -> bool:
        """It answered otherwise earlier on the day."""
        return math.isfinite(self.onset_s)


def row_evidence(facts: Mapping[Place, float], compartment: int, row: int) -> RowEvidence:
    """Return what the facts say of a row."""

    def of(name: str) -> float:
        return facts.get((compartment, row, name), math.nan)

    changed = of("n_after") >= _FEWEST_AFTER
    days = facts.get((compartment, row, "days_stacked"), 1.0)
    called = of("n_called")
    return RowEvidence(
        called=of("n_stacked") if days > 1 and called > 0 else called,
        days=days,
        heard=facts.get((compartment, row, "n_heard"), 0.0),
        answered=facts.get((compartment, row, "n_answered"), 0.0),
        full_share=of("full_share"),
        ratio=of("share_after") if changed else of("drop_ratio"),
        ratio_error=of("share_after_error") if changed else of("drop_ratio_error"),
        onset_s=of("onset_s") if changed else math.nan,
        before=of("share_before") if changed else math.nan,
        coming_gain=of("coming_gain"),
        rate=of("coming_rate"),
        rate_low=of("coming_rate_low"),
        rate_high=of("coming_rate_high"),
        in_step=(compartment, 0, "in_step") in facts or (0, 0, "in_step") in facts,
    )


def told_over_days(answers: Iterable[Answer], facts: Mapping[Place, float]) -> Iterator[Answer]:
    """Say of what was told from several days that it was."""
    for answer in answers:
        row = row_evidence(facts, answer.subject.compartment, answer.subject.row)
        if row.days > 1 and answer.verdict is not Verdict.CANNOT_TELL:
            also = f" Told from its {row.called:.0f} pulses of {row.days:.0f} days together."
            yield replace(answer, text=answer.text + also)
        else:
            yield answer


def unless_most_differ(answers: Iterable[Answer], most_share: float) -> Iterator[Answer]:
    """Take findings back where so many rows of a compartment differ that the peers are in doubt.

    Rows are held against the sound ones of their header; where a large part of them is found to
    differ alike, it may be the others that are not sound.

    Args:
        answers: of every row of a baghouse, in any order.
        most_share: of a compartment's rows that may be found.
    """
    listed = list(answers)
    n_rows = Counter(answer.subject.compartment for answer in listed)
    n_found = Counter(
        answer.subject.compartment for answer in listed if answer.verdict is Verdict.FOUND
    )
    for answer in listed:
        number = answer.subject.compartment
        doubted = n_found[number] > max(most_share * n_rows[number], 1)
        if doubted and answer.verdict is Verdict.FOUND:
            why = (
                f"{n_found[number]} of {n_rows[number]} rows differ alike, so it may be the others"
            )
            yield Answer.cannot_tell(answer.subject, why)
        else:
            yield answer


def share_interval(answered: float, heard: float, errors: float = 1.96) -> tuple[float, float]:
    """Return the interval of a share of answered fires (Wilson 1927, score interval).

    Args:
        errors: standard errors to either side; 1.96 for 95 %.
    """
    z2 = errors**2
    middle = (answered + z2 / 2) / (heard + z2)
    half = errors / (heard + z2) * math.sqrt(answered * (heard - answered) / heard + z2 / 4)
    return max(middle - half, 0.0), min(middle + half, 1.0)
