"""Causes of what ails one row: its valve, or the controller that does not pulse it."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Explains, Family, Measure, Member, SignOf, Work

_NO_TRUTH = (
    "chosen: header pressure shows that a valve does not open, not why; how often each is behind "
    "it is common practice, no source"
)
_DROP = Measure(
    "drop_ratio",
    "1",
    "drop {} of its neighbours'",
    worse=-1,
    step=0.08,  # chosen: what a fitter would call another state of the valve
    error="drop_ratio_error",
)
_ANSWERS = Measure("answered_share", "1", "answers {} of its pulses", worse=-1, step=0.15)
_LATE = Measure("late_s", "s", "closes {} late", worse=1, step=0.3, error="late_s_error")
_REFILL = Measure(
    "tau_ratio", "1", "refills in {} of its neighbours' time", worse=1, step=0.3, is_relative=True
)

_VALVE = Family(
    key="valve",
    title="Valve of a row",
    members=(
        Member("row_silent", At.ROW, _ANSWERS),
        Member("row_weak", At.ROW, _DROP, shows_health=True),
        Member("row_closes_late", At.ROW, _LATE),
        Member("slow_header_recovery", At.ROW, _REFILL),
    ),
    mended_by=(Work.DIAPHRAGMS_RENEWED, Work.SOLENOID_RENEWED),
    explains=(Explains("rising_residual_dp", by_cloth=True),),
    causes=(
        Cause(
            name="no_current",
            title="solenoid, its wire or its output is dead",
            prior=0.4,  # chosen: more often than a diaphragm that sticks shut
            evidence=(
                Evidence("row_silent", 1.5, -3.0),
                Evidence("row_weak", -2.0),
                Evidence("row_closes_late", -3.0),
                Evidence(SignOf.SUDDEN, 0.5, -0.3),
                Evidence(SignOf.FADED, -1.5),
                Evidence(SignOf.MISSES_SOME, 0.3),
                Evidence(SignOf.COIL_RENEWED, -2.0),
                Evidence(SignOf.DIAPHRAGM_RENEWED, 1.5),
                Evidence(SignOf.OTHER_ROWS_SINCE, 1.0),
            ),
            check_first=(
                "pulse the row by hand from the controller, standing clear: does it click?",
                "lamp of its output at the controller when its turn comes",
                "isolated: fuse, coil, plug and wire",
            ),
            source=_NO_TRUTH,
        ),
        Cause(
            name="stuck_shut",
            title="pilot line or vent blocked, or diaphragm stuck shut",
            evidence=(
                Evidence("row_silent", 1.5, -0.5),
                Evidence("row_weak", 1.0, -0.5),
                Evidence("row_closes_late", -2.0),
                Evidence(SignOf.FADED, 1.5, -0.3),
                Evidence(SignOf.MISSES_SOME, 0.3),
                Evidence(SignOf.COIL_RENEWED, 1.5),
                Evidence(SignOf.DIAPHRAGM_RENEWED, -0.7),
            ),
            check_first=(
                "pulse the row by hand from the controller, standing clear: does it sound weaker "
                "than its neighbours?",
                "isolated: pilot line and vent (ice, dirt, a pinch), then both diaphragms",
            ),
            source=_NO_TRUTH,
        ),
        Cause(
            name="worn_diaphragm",
            title="diaphragm torn or worn, spring or seat",
            evidence=(
                Evidence("row_closes_late", 4.0, -1.0),
                Evidence("slow_header_recovery", 2.5, -0.3),
                Evidence("row_silent", -1.5),
                Evidence("row_weak", 0.5),
                Evidence(SignOf.FADED, 1.0, -0.3),
                Evidence(SignOf.DIAPHRAGM_RENEWED, -2.0),
            ),
            check_first=(
                "stand clear and listen: does it blow longer than its neighbours?",
                "isolated: both diaphragms, spring, bleed hole, seat (grit); tighten the lid in a "
                "star pattern, in steps",
            ),
            source="chosen: a valve that closes late does not seal; trials find it late in 0.95",
        ),
        Cause(
            name="by_design",
            title="blowpipe throttled, or fewer bags than the site file says",
            prior=-1.5,  # chosen: seldom
            evidence=(
                Evidence("row_weak", 1.0, -2.0),
                Evidence("row_silent", -4.0),
                Evidence(SignOf.ALWAYS_SO, 3.5, -2.0),
            ),
            check_first=(
                "drawings: bags and nozzles of the row; state fewer bags in the site file",
                "isolated: blowpipe seated, nozzles free",
            ),
            source=_NO_TRUTH,
        ),
    ),
)

_CONTROL = Family(
    key="control",
    title="Row not pulsed by the controller",
    members=(
        Member(
            "row_not_pulsed",
            At.ROW,
            Measure("sent_share", "1", "sent {} of a usual row's pulses", worse=-1, step=0.2),
        ),
    ),
    mended_by=(Work.CONTROLLER_MENDED,),
    explains=(Explains("rising_residual_dp", by_cloth=True),),
    causes=(
        Cause(
            name="skipped",
            title="skipped by a setting of the controller",
            evidence=(Evidence(SignOf.OTHER_ROWS_SINCE, 0.7),),
            check_first=(
                "controller: number of rows, rows skipped, compartment isolated; if meant, write "
                '"off on purpose" into the work log',
            ),
            source=_NO_TRUTH,
        ),
        Cause(
            name="output_off",
            title="output switched off or failed, or its bit no longer recorded",
            evidence=(Evidence(SignOf.OTHER_ROWS_SINCE, -0.3),),
            check_first=(
                "controller: is the row's output lit when its turn comes?",
                "does its bit still reach the historian?",
            ),
            source=_NO_TRUTH,
        ),
    ),
)

FAMILIES = (_VALVE, _CONTROL)
