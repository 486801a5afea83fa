"""When a mail that failed is tried again, and when it is given up."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from rowcall.mail.fate import REFUSED, SENT, WAITING, Fate

BEGIN = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)
NIGHT = timedelta(days=1)


def tries(state: str) -> tuple[list[int], bool]:
    """Return the nights on which a mail that always fails is tried, and whether it is given up."""
    fate, found = Fate("", BEGIN), []
    for n in range(40):
        now = BEGIN + n * NIGHT - (n % 2) * timedelta(hours=1)  # nights begin at varying hours
        if not fate.state or fate.is_due(now):
            fate = fate.failed(state, "451 no", now)
            found.append(n)
    return found, fate.is_given_up


def test_a_refused_mail_waits_longer_each_time_and_is_given_up() -> None:
    assert tries(REFUSED) == ([0, 1, 2, 4, 8, 15], True)


def test_a_server_that_is_down_is_tried_each_night_for_two_weeks() -> None:
    assert tries(WAITING) == ([*range(15)], True)


def test_a_second_try_in_the_same_night_is_made_once() -> None:
    fate = Fate("", BEGIN).failed(REFUSED, "451 no", BEGIN)
    assert fate.is_due(BEGIN + timedelta(minutes=1))
    again = fate.failed(REFUSED, "451 no", BEGIN + timedelta(minutes=1))
    assert not again.is_due(BEGIN + timedelta(hours=2))


def test_failures_count_anew_after_success() -> None:
    fate = Fate("", BEGIN).failed(REFUSED, "451 no", BEGIN)
    later = Fate(SENT, BEGIN + 20 * NIGHT).failed(REFUSED, "451 no", BEGIN + 21 * NIGHT)
    assert (fate.n_failed, later.n_failed, later.is_given_up) == (1, 1, False)
