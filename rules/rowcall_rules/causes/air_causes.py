"""Causes of what ails a header, or the compressed air of all of them."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Explains, Family, Measure, Member, SignOf, Work

_TRIALS = "trials"  # damped to what some ten cases of a cause can show
_SHORTFALL = Measure(
    "shortfall_share", "1", "{} of its pressure missing at the next pulse", worse=1, step=0.05
)

_HEADER = Family(
    key="header",
    title="Air of a header",
    members=(
        Member(
            "header_leak",
            At.HEADER,
            Measure(
                "plateau_ratio",
                "1",
                "holds {} of its usual pressure",
                worse=-1,
                step=0.04,
                level="plateau_pa",
            ),
        ),
        Member(
            "slow_header_recovery",
            At.HEADER,
            Measure(
                "tau_s",
                "s",
                "63 % of a drop recovered in {}",
                worse=1,
                step=0.3,
                is_relative=True,
                level="tau_s",
            ),
        ),
        Member("short_interval", At.HEADER, _SHORTFALL),
        Member(
            "pulse_pressure",
            At.HEADER,
            Measure(
                "before_pa", "gauge", "{} before a pulse", worse=-1, step=0.1, is_relative=True
            ),
        ),
        Member(
            "row_silent",
            At.HEADER,
            Measure("n_silent", "1", "rows silent alike", worse=1, step=1e9),
        ),
    ),
    mended_by=(Work.AIR_MENDED, Work.DIAPHRAGMS_RENEWED, Work.SET_POINT_CHANGED),
    # After each of its rows a header with a restricted feed refills slowly.
    explains=(Explains("slow_header_recovery", by_same_rule=True),),
    causes=(
        Cause(
            name="leak",
            title="a valve passes, or the header or a bulkhead fitting leaks",
            evidence=(
                Evidence("header_leak", 1.0, -2.5),
                Evidence("slow_header_recovery", -1.0, 0.5),
                Evidence(SignOf.SHORT_OF_PLATEAU, -1.5, 0.5),
                Evidence(SignOf.NO_AIR, -2.0),
            ),
            check_first=(
                "with the sequence stopped and the air on, stand clear and listen along the valves",
                "from outside: soap or ultrasonic check of the valves and bulkhead fittings",
            ),
            source=_TRIALS,
        ),
        Cause(
            name="feed",
            title="its own feed is restricted: regulator, filter, isolation valve, water",
            evidence=(
                Evidence("slow_header_recovery", 1.0, -2.5),
                Evidence("header_leak", -2.5, 0.5),
                Evidence(SignOf.NO_AIR, -1.0),
            ),
            check_first=(
                "read the regulator's gauge and the pressure ahead of it; position of the "
                "isolation valve",
                "isolated: header drain (water), filter, regulator, line size",
            ),
            source=_TRIALS,
        ),
        Cause(
            name="interval",
            title="rows are pulsed faster than the header refills",
            prior=-0.5,  # chosen: settings change less often than parts wear
            evidence=(
                Evidence(SignOf.SHORT_OF_PLATEAU, 1.0, -2.5),
                Evidence("short_interval", 0.5),
                Evidence("slow_header_recovery", -2.0, 0.5),
                Evidence("header_leak", -2.0, 0.5),
                Evidence(SignOf.LATE_ROW, -1.0),
            ),
            check_first=("controller: interval between rows, pulse time, pulse pressure",),
            source="chosen: near what trials show, of which there are too few yet",
        ),
        Cause(
            name="late_row",
            title="a row that closes late empties it",
            prior=-0.5,  # chosen
            evidence=(
                Evidence(SignOf.LATE_ROW, 3.0, -4.0),
                Evidence("header_leak", -1.5),
                Evidence("slow_header_recovery", -1.0),
            ),
            check_first=("mend the row that closes late first, then look at the header again",),
            source="chosen: a long blow takes several times the air of a pulse",
        ),
        Cause(
            name="set_pressure",
            title="regulator set to another pressure than the bags want",
            prior=-0.5,  # chosen
            evidence=(
                Evidence("pulse_pressure", 3.0, -3.0),
                Evidence("slow_header_recovery", -2.0, 0.3),
                Evidence("header_leak", -2.0, 0.3),
                Evidence(SignOf.SHORT_OF_PLATEAU, -2.5, 0.5),
                Evidence("row_silent", -2.0),
                Evidence(SignOf.NO_AIR, -3.0),
            ),
            check_first=("read the regulator's gauge against the pressure that the bags want",),
            source="chosen: a set point is neither a leak nor slow",
        ),
        Cause(
            name="no_air",
            title="the header is shut off or empty",
            prior=-1.0,  # chosen
            evidence=(
                Evidence(SignOf.NO_AIR, 5.0, -3.0),
                Evidence("row_silent", 1.0),
            ),
            check_first=("isolation valve of the header and the plant's air, from outside",),
            source="chosen: pulses into an empty header show it",
        ),
        Cause(
            name="shared_electrics",
            title="what its valves share: fuse, power supply, output card",
            prior=-1.0,  # chosen
            evidence=(Evidence("row_silent", 4.0, -4.0), Evidence(SignOf.NO_AIR, -3.0)),
            check_first=(
                "controller: lamps of the outputs",
                "isolated: fuses, power supply and output card",
            ),
            source="chosen: rows that go silent together share something",
        ),
    ),
)

_PLANT_AIR = Family(
    key="plant-air",
    title="Compressed air of all headers",
    members=(
        Member(
            "supply_short",
            At.HEADER,
            Measure("hours", "h", "short for {}", worse=1, step=3.0, level="plateau_pa"),
        ),
    ),
    mended_by=(Work.AIR_MENDED,),
    explains=(
        Explains("short_interval"),
        Explains("pulse_pressure"),
        Explains("header_leak", in_its_hours=True),  # a header at rest follows its supply down
    ),
    causes=(
        Cause(
            name="other_users",
            title="other users take the air at these hours, or the compressor is too small",
            evidence=(Evidence(SignOf.SAME_CLOCK_HOURS, 1.5, -1.0), Evidence(SignOf.ALL_DAY, -2.0)),
            check_first=("compressor's load and what else draws air at these hours",),
            source="chosen: a shift keeps its hours, a fault does not",
        ),
        Cause(
            name="air_plant",
            title="compressor, dryer or main line fails",
            evidence=(Evidence(SignOf.SAME_CLOCK_HOURS, -1.0), Evidence(SignOf.ALL_DAY, 1.5, -0.3)),
            check_first=("compressors running, pressure after the dryer, main filter, drains",),
            source="chosen: a shift keeps its hours, a fault does not",
        ),
    ),
)

FAMILIES = (_HEADER, _PLANT_AIR)
