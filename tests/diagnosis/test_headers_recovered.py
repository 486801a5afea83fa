"""How a time to recover is stated: with its interval, or as a bound where its end is hidden."""

from __future__ import annotations

import math

import pytest

from rowcall.diagnosis.headers import recovered_in


@pytest.mark.parametrize(
    ("recovery_s", "log_error", "text"),
    [
        (6.6, 0.04, "recovered in 6.6 s (95 % interval 6.1 s to 7.1 s)"),
        (71.5, 0.8, "recovered in 32.0 s or more (perhaps 71.5 s; no sample shows the end)"),
        (28.3, 0.3, "recovered in 28.3 s or more (perhaps 28.3 s; no sample shows the end)"),
        (6.6, math.nan, "recovered in 6.6 s"),
    ],
)
def test_a_time_is_stated_as_far_as_it_is_known(
    recovery_s: float, log_error: float, text: str
) -> None:
    """Pulsed every 32 s: a header that is not back by then takes at least so long."""
    assert recovered_in(recovery_s, log_error, 32.0) == text
