"""Coverage: gaps against a tag's own step, held values, and days of 23 and 25 hours."""

from __future__ import annotations

from datetime import UTC, date

import numpy as np
import pytest
from helpers.conditioning import DAY_S, ZONE, conditioned, each_second, live, only, samples, tag

from rowcall.days import day_bounds


@pytest.mark.parametrize(
    ("step_s", "gap_s", "lost_s"),
    [(1, 50, 0), (1, 3600, 3600), (60, 240, 0), (60, 600, 600), (300, 1200, 0), (300, 3000, 3000)],
)
def test_coverage_counts_gaps_against_the_tags_own_step(
    step_s: int, gap_s: int, lost_s: int
) -> None:
    time_s = np.arange(0.0, DAY_S, step_s)
    time_s = time_s[(time_s <= 36_000) | (time_s >= 36_000 + gap_s)]
    _, health = only(conditioned(tag(), samples(time_s, live(time_s.size))))
    assert health.coverage_frac == pytest.approx(1 - lost_s / DAY_S, abs=1e-9)
    assert health.step_s == step_s


def test_a_day_half_covered_is_too_little() -> None:
    below, above = (samples(each_second(n), live(n)) for n in (43_000, 43_400))
    assert not conditioned(tag(), below).signals
    assert conditioned(tag(), below).health[0].problem == "only 50% of the day is covered"
    assert conditioned(tag(), above).signals


def test_a_thinned_tag_may_be_silent_for_hours() -> None:
    time_s = np.arange(0.0, DAY_S, 3 * 3600.0)
    one = tag(sample="thinned")
    signal, health = only(conditioned(one, samples(time_s, live(time_s.size))))
    assert health.coverage_frac == 1.0
    assert signal.longest_hold_s == 4 * 3600.0
    assert not signal.step


# Europe/Vienna: clocks go forward on 29 March 2026 and back on 25 October 2026 (EU rule).
@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 3, 2), 24)]
)
def test_days_of_23_and_25_hours_are_covered_whole(day: date, hours: int) -> None:
    start, end = day_bounds(day, ZONE)
    n = hours * 3600
    assert (end - start).total_seconds() == n
    assert start.astimezone(ZONE).date() == day
    assert start.tzinfo is UTC
    points = samples(each_second(n), live(n), start=start)
    signal, health = only(conditioned(tag(), points, bounds=(start, end)))
    assert (signal.time_s[0], signal.time_s[-1]) == (0.0, n - 1.0)
    assert health.coverage_frac == 1.0
