"""Causes of what ails the cloth, of gas that passes it, and of gas too hot or too cold for it."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Family, Measure, Member, SignOf, Work

_CLOTH = Family(
    key="cloth",
    title="Residual DP",
    members=(
        Member(
            "rising_residual_dp",
            At.HEADER,
            Measure(
                "residual_dp_corrected",
                "dp",
                "residual DP {} (at one gas flow, where known)",
                worse=1,
                step=0.06,
                is_relative=True,
                level="level",
            ),
        ),
        Member(
            "blinding",
            At.HEADER,
            Measure("rise", "1", "drag of the cloth up by {}", worse=1, step=0.05, level="level"),
        ),
    ),
    mended_by=(Work.BAGS_CHANGED,),
    causes=(
        Cause(
            name="not_cleaned",
            title="rows that are not cleaned",
            evidence=(Evidence(SignOf.ROWS_NOT_CLEANED, 4.0, -2.5),),
            check_first=("mend the rows first, watch a day, and only then blame bags",),
            source="chosen: how much of a rise rows account for is bounded, the rest is scatter",
        ),
        Cause(
            name="cold_start",
            title="blinded by a cold start: gas passed below its water dew point",
            evidence=(
                Evidence(SignOf.COLD_START, 2.5, -2.5),
                Evidence(SignOf.STEPPED, 0.7, -1.0),
                Evidence(SignOf.ROWS_NOT_CLEANED, -1.5),
            ),
            check_first=(
                "how the start was made: heating before gas, pulsing held off",
                "isolated: a bag to a laboratory",
            ),
            source="chosen: that a cold start blinds is common practice, no source",
        ),
        Cause(
            name="weak_cleaning",
            title="cleaning is too weak: air short, header leaking, pressure low",
            evidence=(
                Evidence(SignOf.WEAK_CLEANING, 1.5, -2.0),
                Evidence(SignOf.STEPPED, -0.3),
            ),
            check_first=("mend the air first and watch a week",),
            source="chosen: weaker pulses leave more cake; by how much is not known",
        ),
        Cause(
            name="blinding",
            title="fine or sticky dust, hydrocarbons, or the end of the bags' life",
            evidence=(
                Evidence(SignOf.STEPPED, -0.7, 0.7),
                Evidence(SignOf.COLD_START, -0.7),
                Evidence(SignOf.ROWS_NOT_CLEANED, -1.5),
            ),
            check_first=(
                "what changed in fuel, feed or dust; pre-coat history",
                "isolated: a bag to a laboratory",
            ),
            source="chosen: it is what remains",
        ),
    ),
)

_BYPASS = Family(
    key="bypass",
    title="Gas that passes the cloth",
    members=(
        Member("dp_fell", At.HEADER, Measure("fall", "1", "drag fell by {}", worse=1, step=0.05)),
    ),
    mended_by=(Work.BAGS_CHANGED,),
    causes=(
        Cause(
            name="bag",
            title="a bag dropped, torn or off its seat",
            evidence=(
                Evidence("dust_level_raised", 1.0, -0.7),
                Evidence("leaking_row", 1.5),
            ),
            check_first=(
                "dust after the filter, against the hours before",
                "isolated: leak test with dye, and the seats of all bags",
            ),
            source="chosen: a leak raises dust, that of one row as its pulses come",
        ),
        Cause(
            name="door_or_damper",
            title="a door, a bypass or compartment damper that stands open",
            evidence=(
                Evidence("dust_level_raised", 1.0, -0.7),
                Evidence("leaking_row", -0.7),
            ),
            check_first=("position switches of bypass and dampers, doors from outside",),
            source="chosen: a leak raises dust, beside the rows whatever row is pulsed",
        ),
        Cause(
            name="exchanged_transmitter",
            title="DP transmitter or its taps: nothing changed in the filter",
            prior=-0.5,  # chosen: a gap in DP mostly shows it
            evidence=(Evidence("dust_level_raised", -1.5, 1.0),),
            check_first=("DP against a second gauge; who worked on it",),
            source="chosen: another scale lowers DP at once too, and leaves dust alone",
        ),
    ),
)

_HEAT = Family(
    key="heat",
    title="Gas temperature",
    members=(
        Member(
            "temperature_excursion",
            At.HEADER,
            Measure("max_c", "temperature", "up to {}", worse=1, step=10.0),
        ),
    ),
    causes=(
        Cause(
            name="process",
            title="process upset, or cooling ahead of the filter failed",
            evidence=(),
            check_first=("what the process did at that time; cooling air, spray, bypass",),
            source="chosen: inlet temperature does not show why",
        ),
    ),
)

_DEW = Family(
    key="dew",
    title="Starts and dew points",
    members=(
        Member("unusual_starts", At.HEADER),
        Member("dew_point", At.HEADER, Measure("below_water", "s", "{} in water film", 1, 600.0)),
    ),
    causes=(
        Cause(
            name="cold_run",
            title="started or run cold: heating, insulation, load too low",
            evidence=(),
            prior=0.7,
            check_first=("how the unit was heated up; insulation and hopper heaters",),
            source="chosen: twice as frequent as too much moisture; common practice, no source",
        ),
        Cause(
            name="wet_gas",
            title="more moisture: spray cooler, wet feed, a tube that leaks",
            evidence=(),
            check_first=("spray cooler, wet feed, and the moisture that the site file states",),
            source="chosen: inlet temperature does not show moisture",
        ),
    ),
)

_COOLED = Family(
    key="cooled",
    title="Gas cooled between inlet and outlet",
    members=(
        Member("in_leakage", At.HEADER, Measure("leak", "1", "{} more air", worse=1, step=0.03)),
        Member("cold_compartment", At.HEADER),
    ),
    causes=(
        Cause(
            name="air",
            title="air leaks in: door, seam, rotary valve, expansion joint",
            evidence=(),
            check_first=(
                "doors, seams and hopper discharge from outside: air drawn in is heard and felt",
                "isolated: door seals, expansion joints, rotary valve",
            ),
            source="chosen: seals wear; temperatures do not show where",
        ),
        Cause(
            name="less_gas",
            title="a compartment gets less gas: damper, blinded cloth, hopper full to its inlet",
            prior=-0.5,  # chosen: dampers and levels are mostly watched
            evidence=(),
            check_first=("damper positions; hopper level and discharge, from outside",),
            source="chosen: nothing in these data shows gas flow by compartment",
        ),
        Cause(
            name="thermocouple",
            title="a thermocouple that drifts or was renewed",
            prior=-0.5,  # chosen
            evidence=(),
            check_first=("both thermocouples against a second reading",),
            source="chosen: it looks the same from one day on",
        ),
    ),
)

_UNEVEN = Family(
    key="uneven",
    title="Compartments",
    members=(Member("compartments_differ", At.HEADER),),
    mended_by=(Work.CONTROLLER_MENDED, Work.SET_POINT_CHANGED, Work.AIR_MENDED),
    causes=(
        Cause(
            name="control",
            title="its cleaning is set or held otherwise",
            evidence=(),
            check_first=("controller: settings of that compartment against the others",),
            source="chosen: numbers of a compartment do not show why",
        ),
        Cause(
            name="damper",
            title="its dampers give it more or less gas than the others get",
            evidence=(),
            check_first=("damper positions, by their switches and from outside",),
            source="chosen: numbers of a compartment do not show why",
        ),
        Cause(
            name="hopper",
            title="its hopper is full, and dust is carried up again",
            prior=-0.5,  # chosen: levels are mostly watched
            evidence=(),
            check_first=("hopper level, discharge and its air lock, from outside",),
            source="chosen: nothing in these data shows a hopper",
        ),
    ),
)

FAMILIES = (_CLOTH, _BYPASS, _HEAT, _DEW, _COOLED, _UNEVEN)
