"""What a day's facts show of one row, as the rules on rows weigh it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from rowcall.events.rows.intermittent import MIN_GAIN
from rowcall.model import Answer, Fact, FactBook, Lack, Verdict

SILENT_SHARE = 0.15  # chosen: between a weak row (30-60 % of its peers) and a silent one (0 %)
_MIN_AFTER = 20  # chosen: pulses after a change within the day, so that they can be judged alone
_MIN_RATE = 0.05  # chosen: below it, answers are outliers of a silent row
_STANDARD_ERRORS = 3.5  # chosen: one healthy row-day in 4,000 lies beyond


@dataclass(frozen=True, slots=True)
class RowEvidence:
    """Facts of one row on one day; nan where there is none.

    Attributes:
        sent: pulses, nan where bits miss most of them; of several days where one has few.
        days: number of days that all this is estimated from.
        judged, answered: pulses that could be judged, and those of them with a pressure drop.
        in_doubt: pulses not judged, unanswered or with their scans lost.
        answered_ratio: median drop ratio of the answered pulses.
        ratio, ratio_error: drop over the reference rows', from the stack; where the row changed
            within the day, from what followed the change.
        day_ratio, day_ratio_error: that of the whole day, whether it changed or not.
        drop_pa: median drop.
        late_s, late_s_error: by how much its valve closes later than the reference rows'.
        p_late, late_power: posterior probability of closing late, power to detect it.
        onset_s: when within the day it changed.
        before: drop ratio before that.
        intermittent_gain: log-likelihood ratio of "answers some pulses" over "answers all alike".
        rate, rate_low, rate_high: share of answered pulses by that model, and its interval.
        in_step: sampling and pulses are in step.
        expected: drop that the row's build makes of the others'; the ratios above are of that.
    """

    sent: float
    days: float
    judged: float
    answered: float
    in_doubt: float
    answered_ratio: float
    ratio: float
    ratio_error: float
    day_ratio: float
    day_ratio_error: float
    drop_pa: float
    late_s: float
    late_s_error: float
    p_late: float
    late_power: float
    onset_s: float
    before: float
    intermittent_gain: float
    rate: float
    rate_low: float
    rate_high: float
    in_step: bool
    expected: float

    @property
    def is_surely_silent(self) -> bool:
        """The drop lies below that of any answer."""
        return self.ratio + _STANDARD_ERRORS * self.ratio_error < SILENT_SHARE

    @property
    def surely_answers(self) -> bool:
        """The drop lies above that of a silent row."""
        return self.ratio - _STANDARD_ERRORS * self.ratio_error > SILENT_SHARE

    @property
    def is_intermittent(self) -> bool:
        """Its pulses, taken together, are of two kinds."""
        is_both = self.intermittent_gain >= MIN_GAIN and self.rate >= _MIN_RATE
        return not self.changed and is_both

    @property
    def answers_otherwise(self) -> bool:
        """It answered before it changed within the day, and answers since, by another share."""
        return self.changed and self.before >= SILENT_SHARE and self.surely_answers

    @property
    def changed(self) -> bool:
        """It answered otherwise earlier on the day."""
        return math.isfinite(self.onset_s)

    @property
    def since_s(self) -> float:
        """Since when it has answered as it does: its onset, else the start of the day."""
        return self.onset_s if self.changed else 0.0


def row_evidence(facts: FactBook, compartment: int, row: int, expected: float = 1.0) -> RowEvidence:
    """Return what the facts show of a row.

    Args:
        expected: drop that its build makes of the other rows'; shares of a drop are of that.
    """

    def of(fact: Fact, otherwise: float = math.nan) -> float:
        return facts.get((fact, compartment, row), otherwise)

    changed = of(Fact.N_AFTER) >= _MIN_AFTER
    days, sent = of(Fact.DAYS_STACKED, 1.0), of(Fact.N_SENT)
    return RowEvidence(
        sent=of(Fact.N_STACKED) if days > 1 and sent > 0 else sent,
        days=days,
        judged=of(Fact.N_JUDGED, 0.0),
        answered=of(Fact.N_ANSWERED, 0.0),
        in_doubt=of(Fact.N_IN_DOUBT, 0.0),
        answered_ratio=of(Fact.ANSWERED_DROP_RATIO) / expected,
        ratio=of(Fact.DROP_RATIO_AFTER if changed else Fact.DROP_RATIO) / expected,
        ratio_error=of(Fact.DROP_RATIO_AFTER_ERROR if changed else Fact.DROP_RATIO_ERROR)
        / expected,
        day_ratio=of(Fact.DROP_RATIO) / expected,
        day_ratio_error=of(Fact.DROP_RATIO_ERROR) / expected,
        drop_pa=of(Fact.DROP_PA),
        late_s=of(Fact.LATE_S),
        late_s_error=of(Fact.LATE_S_ERROR),
        p_late=of(Fact.P_LATE),
        late_power=of(Fact.LATE_POWER),
        onset_s=of(Fact.ONSET_S) if changed else math.nan,
        before=of(Fact.DROP_RATIO_BEFORE) / expected if changed else math.nan,
        intermittent_gain=of(Fact.INTERMITTENT_GAIN),
        rate=of(Fact.ANSWER_RATE),
        rate_low=of(Fact.ANSWER_RATE_LOW),
        rate_high=of(Fact.ANSWER_RATE_HIGH),
        in_step=any((Fact.IN_STEP, header, 0) in facts for header in (compartment, 0)),
        expected=expected,
    )


def pulses_of(row: RowEvidence) -> str:
    """Write how many pulses a row was sent, where that is known: `its 1,234 pulses`."""
    return "its pulses" if math.isnan(row.sent) else f"its {row.sent:,.0f} pulses"


def over_days(answers: Iterable[Answer], facts: FactBook) -> Iterator[Answer]:
    """Say where an answer rests on the pulses of several days."""
    for answer in answers:
        row = row_evidence(facts, answer.subject.compartment, answer.subject.row)
        if row.days > 1 and answer.verdict is not Verdict.CANNOT_TELL:
            also = f" Judged by {pulses_of(row)} of {row.days:.0f} days together."
            yield replace(answer, text=answer.text + also)
        else:
            yield answer


def unless_most_differ(answers: Iterable[Answer], max_share: float) -> Iterator[Answer]:
    """Withdraw findings where so many rows of a compartment differ that the peers are in doubt.

    Rows are compared with the reference rows of their header; where a large part of them is found
    to differ alike, the reference may be the faulty one.

    Args:
        answers: of every row of a baghouse, in any order.
        max_share: of a compartment's rows that may be found.
    """
    listed = list(answers)
    n_rows = Counter(answer.subject.compartment for answer in listed)
    n_found = Counter(
        answer.subject.compartment for answer in listed if answer.verdict is Verdict.FOUND
    )
    for answer in listed:
        number = answer.subject.compartment
        doubted = n_found[number] > max(max_share * n_rows[number], 1)
        if doubted and answer.verdict is Verdict.FOUND:
            why = (
                f"{n_found[number]} of {n_rows[number]} rows differ alike, so it may be the others"
            )
            yield Answer.cannot_tell(answer.subject, why, Lack.NOTHING)
        else:
            yield answer


def share_interval(answered: float, judged: float, errors: float = 1.96) -> tuple[float, float]:
    """Return the interval of a share of answered pulses (Wilson 1927, score interval).

    Args:
        errors: standard errors to either side; 1.96 for 95 %.
    """
    z2 = errors**2
    middle = (answered + z2 / 2) / (judged + z2)
    half = errors / (judged + z2) * math.sqrt(answered * (judged - answered) / judged + z2 / 4)
    return max(middle - half, 0.0), min(middle + half, 1.0)
