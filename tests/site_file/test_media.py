"""The media table against its source, and the trade's starting points."""

from __future__ import annotations

import pytest

from rowcall import trade
from rowcall.media import LIMITS_DEGF, SOURCE, Fibre, limits_c

# APTI SI:412A, Lesson 4, Table 4-1: continuous and surge temperature as printed, degF (degC).
TABLE_4_1 = {
    Fibre.COTTON: ((180, 82), (225, 107)),
    Fibre.POLYPROPYLENE: ((190, 88), (200, 93)),
    Fibre.WOOL: ((200, 93), (250, 121)),
    Fibre.POLYAMIDE: ((200, 93), (250, 121)),
    Fibre.ACRYLIC: ((240, 116), (260, 127)),
    Fibre.POLYESTER: ((275, 135), (325, 163)),
    Fibre.ARAMID: ((400, 204), (425, 218)),
    Fibre.PPS: ((375, 191), (450, 232)),
    Fibre.POLYIMIDE: ((450, 232), (500, 260)),
    Fibre.PTFE: ((450, 232), (500, 260)),
    Fibre.GLASS: ((500, 260), (550, 288)),
}


def test_the_table_is_complete() -> None:
    assert set(LIMITS_DEGF) == set(TABLE_4_1) == set(Fibre)
    assert SOURCE == "APTI SI:412A, Lesson 4, Table 4-1"


@pytest.mark.parametrize("fibre", list(Fibre))
def test_limits_are_as_printed(fibre: Fibre) -> None:
    (continuous_f, continuous_c), (surge_f, surge_c) = TABLE_4_1[fibre]
    assert LIMITS_DEGF[fibre] == (continuous_f, surge_f)
    # The source prints whole degrees Celsius beside them.
    continuous, surge = limits_c(fibre)
    assert continuous == pytest.approx(continuous_c, abs=0.6)
    assert surge == pytest.approx(surge_c, abs=0.6)


COMMON = "common practice, no source"
MEMORY = "value from memory: upper end of 0.03-0.1 s, EPA-452/F-03-025"


# Starting points of the trade: a number without a source says so.
@pytest.mark.parametrize(
    ("fact", "inside", "source"),
    [
        (trade.PULSE_TIME, 0.1, MEMORY),
        (trade.ROW_INTERVAL, 20.0, COMMON),
        (trade.START_DP, 4 * 249.08891, COMMON),
        (trade.STOP_DP, 3 * 249.08891, COMMON),
        (trade.PULSE_PRESSURE_GLASS[0], 50 * 6894.757, COMMON),
        (trade.PULSE_PRESSURE_GLASS[1], 60 * 6894.757, COMMON),
        (trade.PULSE_PRESSURE_FELT[0], 80 * 6894.757, COMMON),
        (trade.PULSE_PRESSURE_FELT[1], 90 * 6894.757, COMMON),
        (trade.VALVE_OPEN, 0.15, COMMON),
        (trade.RECOVERY_LONGEST, 15.0, COMMON),
        (trade.ATMOSPHERE, 101_325.0, "standard atmosphere, exact by definition"),
    ],
)
def test_starting_points_of_the_trade(fact: trade.Fact, inside: float, source: str) -> None:
    assert fact.value == pytest.approx(inside)
    assert fact.source == source
