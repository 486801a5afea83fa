"""Causes of what ails the cloth, and of gas that is too hot for it."""

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

FAMILIES = (_CLOTH, _HEAT)
