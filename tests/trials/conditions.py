"""The conditions of the trials, in one table: how a historian kept what a plant did.

Sizes are chosen to span what plants do; a transmitter of 0-10 bar with 12 bit in all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Phase = Literal["drifting", "creeping", "locked"]
Keep = Literal["at intervals", "dead-band", "swinging door"]
Faults = Literal["usual", "slight", "by design"]
RowsBy = Literal["bits on change", "scanned bits", "latched bits", "scanned counter"]

SPAN_BAR = 10.0
LEVELS = 4096  # 12 bit
BAND_BAR = 0.005 * SPAN_BAR  # of both compressions


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One way of keeping header pressure and calls.

    Attributes:
        step_s: sampling period of the pressure; compressions scan at it.
        phase: drifting: the controller's scan time moves the calls against the sampling clock, and
            that clock is off by up to 100 ppm; creeping: only the latter; locked: every call of
            the trial falls at one phase of whole periods.
        noise: standard deviation as a share of span.
        missing: share of samples lost, half of it one by one, half in gaps of minutes.
        offset_s, drift_s_day: largest clock offset of the bits, and its largest change in a day.
        set_by_s: largest step by which the clock of the bits is set once, in the middle half.
        interval_s: range of the time between two calls. hours: length of a trial.
        faults: usual: one of each kind, plain; slight: many between sound and plain; by design:
            none, but rows with fewer bags.
        is_wide: drops and refills beyond those that detectors assume.
        refill_share: range of the recovery to 95 % as a share of the interval, instead of the
            usual range.
        stamp_s: stamps of the bits are cut to whole multiples of this; 0: to the millisecond.
    """

    name: str
    step_s: float
    hours: float = 6.0
    phase: Phase = "drifting"
    noise: float = 0.002
    missing: float = 0.0
    keep: Keep = "at intervals"
    rows_by: RowsBy = "bits on change"
    offset_s: float = 0.0
    drift_s_day: float = 0.0
    set_by_s: float = 0.0
    interval_s: tuple[float, float] = (8.0, 30.0)
    n_rows: tuple[int, int] = (6, 20)
    has_pauses: bool = False
    faults: Faults = "usual"
    is_wide: bool = False
    refill_share: tuple[float, float] | None = None
    stamp_s: float = 0.0


CONDITIONS = (
    Condition(name="0.1 s", step_s=0.1),
    Condition(name="0.5 s", step_s=0.5),
    Condition(name="1 s", step_s=1.0),
    Condition(name="2 s", step_s=2.0),
    Condition(name="5 s", step_s=5.0, hours=24.0),
    Condition(name="10 s", step_s=10.0, hours=24.0),
    Condition(name="60 s", step_s=60.0, hours=24.0),
    Condition(name="1 s locked", step_s=1.0, phase="locked"),
    Condition(name="5 s locked", step_s=5.0, hours=24.0, phase="locked"),
    Condition(name="10 s locked", step_s=10.0, hours=24.0, phase="locked"),
    Condition(name="60 s locked", step_s=60.0, hours=24.0, phase="locked", interval_s=(15.0, 60.0)),
    Condition(name="5 s creeping", step_s=5.0, hours=24.0, phase="creeping"),
    Condition(name="1 s noisy", step_s=1.0, noise=0.01),
    Condition(name="5 s noisy", step_s=5.0, hours=24.0, noise=0.01),
    Condition(name="1 s missing", step_s=1.0, missing=0.1),
    Condition(name="5 s missing", step_s=5.0, hours=24.0, missing=0.1),
    Condition(name="1 s dead-band", step_s=1.0, keep="dead-band"),
    Condition(name="1 s swinging door", step_s=1.0, keep="swinging door"),
    Condition(name="1 s dead-band missing", step_s=1.0, missing=0.1, keep="dead-band"),
    Condition(name="5 s dead-band missing", step_s=5.0, hours=24.0, missing=0.1, keep="dead-band"),
    Condition(name="1 s swinging door missing", step_s=1.0, missing=0.1, keep="swinging door"),
    Condition(
        name="5 s swinging door missing",
        step_s=5.0,
        hours=24.0,
        missing=0.1,
        keep="swinging door",
    ),
    Condition(name="1 s short interval", step_s=1.0, interval_s=(5.0, 6.0)),
    Condition(name="5 s short interval", step_s=5.0, hours=24.0, interval_s=(5.0, 6.0)),
    Condition(name="1 s long refill", step_s=1.0, refill_share=(0.8, 1.2)),
    Condition(name="5 s long refill", step_s=5.0, hours=24.0, refill_share=(0.8, 1.2)),
    Condition(name="1 s cut stamps", step_s=1.0, stamp_s=1.0),
    Condition(name="5 s cut stamps", step_s=5.0, hours=24.0, stamp_s=1.0),
    Condition(name="1 s on demand", step_s=1.0, hours=24.0, has_pauses=True),
    Condition(name="5 s on demand", step_s=5.0, hours=24.0, has_pauses=True),
    Condition(name="1 s clocks apart", step_s=1.0, offset_s=3.0, drift_s_day=0.5),
    Condition(name="5 s clocks apart", step_s=5.0, hours=24.0, offset_s=3.0, drift_s_day=0.5),
    Condition(name="1 s clock drifts", step_s=1.0, hours=24.0, offset_s=0.5, drift_s_day=3.0),
    Condition(name="5 s clock drifts", step_s=5.0, hours=24.0, offset_s=0.5, drift_s_day=3.0),
    Condition(name="1 s clock set", step_s=1.0, hours=24.0, offset_s=0.5, set_by_s=3.0),
    Condition(name="5 s clock set", step_s=5.0, hours=24.0, offset_s=0.5, set_by_s=3.0),
    Condition(name="1 s scanned bits", step_s=1.0, hours=24.0, rows_by="scanned bits"),
    Condition(name="1 s latched bits", step_s=1.0, rows_by="latched bits"),
    Condition(name="1 s scanned counter", step_s=1.0, rows_by="scanned counter"),
    Condition(name="5 s scanned counter", step_s=5.0, hours=24.0, rows_by="scanned counter"),
    Condition(name="1 s slight", step_s=1.0, faults="slight"),
    Condition(name="5 s slight", step_s=5.0, hours=24.0, faults="slight"),
    Condition(name="1 s wide", step_s=1.0, is_wide=True),
    Condition(name="5 s wide", step_s=5.0, hours=24.0, is_wide=True),
    Condition(name="1 s by design", step_s=1.0, faults="by design"),
    Condition(name="5 s by design", step_s=5.0, hours=24.0, faults="by design"),
)


def condition_of(name: str) -> Condition:
    """Return the condition of a name. Raises ValueError with the names there are."""
    for condition in CONDITIONS:
        if condition.name == name:
            return condition
    names = ", ".join(repr(condition.name) for condition in CONDITIONS)
    raise ValueError(f"there is no condition {name!r}; there are {names}")
