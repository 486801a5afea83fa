"""Causes of cleaning that is set, started or stopped otherwise than it should be."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Family, Measure, Member, SignOf, Work

_BY_VERDICT = "chosen: the data shows what is set, not who set it"

_SETTINGS = Family(
    key="settings",
    title="Settings of the controller",
    members=(Member("settings_differ", At.HEADER),),
    mended_by=(Work.SET_POINT_CHANGED, Work.CONTROLLER_MENDED),
    causes=(
        Cause(
            name="changed",
            title="changed at the controller, and the site file was left as it was",
            evidence=(),
            check_first=("who changed it and why; the work log",),
            source=_BY_VERDICT,
        ),
        Cause(
            name="controller",
            title="the controller lost its settings, or was exchanged",
            prior=-1.0,  # chosen: rarer than a change by hand
            evidence=(),
            check_first=("controller: all settings against the list of the plant",),
            source=_BY_VERDICT,
        ),
    ),
)

_RESTLESS = Family(
    key="restless",
    title="Cleaning that does not bring DP down",
    members=(
        Member(
            "cleaning_never_rests",
            At.HEADER,
            Measure("hours", "h", "{} without a pause", worse=1, step=3.0),
        ),
    ),
    mended_by=(Work.SET_POINT_CHANGED, Work.AIR_MENDED, Work.BAGS_CHANGED),
    causes=(
        Cause(
            name="set_points_low",
            title="set points that no cleaning can reach at this gas flow",
            evidence=(
                Evidence(SignOf.WEAK_CLEANING, -1.0),
                Evidence(SignOf.ROWS_NOT_CLEANED, -1.0),
            ),
            check_first=("controller: start and stop set points against the plant's list",),
            source="chosen: it remains where the air is sound",
        ),
        Cause(
            name="weak_air",
            title="cleaning is too weak: air short, header leaking, rows not cleaned",
            evidence=(
                Evidence(SignOf.WEAK_CLEANING, 2.0, -2.0),
                Evidence(SignOf.ROWS_NOT_CLEANED, 1.0),
            ),
            check_first=("mend air and rows first, and see whether cleaning pauses again",),
            source="chosen: pulses without air take off no cake",
        ),
        Cause(
            name="blinded",
            title="blinded bags",
            evidence=(
                Evidence(SignOf.WEAK_CLEANING, -0.5),
                Evidence(SignOf.COLD_START, 1.0),
            ),
            check_first=("residual DP of the weeks before", "isolated: a bag to a laboratory"),
            source="chosen: cold starts blind bags",
        ),
        Cause(
            name="full_hopper",
            title="a full hopper, from which dust is carried up again",
            prior=-0.5,  # chosen: levels are mostly watched
            evidence=(Evidence(SignOf.WEAK_CLEANING, -0.5),),
            check_first=("hopper level, discharge and its air lock, from outside",),
            source="chosen: nothing in these data shows a hopper",
        ),
    ),
)

_HELD_OFF = Family(
    key="held-off",
    title="Cleaning that does not start",
    members=(
        Member(
            "under_cleaning",
            At.HEADER,
            Measure("hours", "h", "{} without a pulse", worse=1, step=1.0),
        ),
    ),
    mended_by=(Work.CONTROLLER_MENDED, Work.SET_POINT_CHANGED),
    causes=(
        Cause(
            name="controller_stopped",
            title="the controller is off, in manual, or held by an interlock",
            evidence=(),
            check_first=("controller: power, automatic or manual, interlocks (air, fan)",),
            source="chosen: DP and pulses do not show why",
        ),
        Cause(
            name="dp_unseen",
            title="the controller's own DP reading is wrong: tap plugged, line off",
            evidence=(),
            check_first=("DP at the controller against that of the control room",),
            source="chosen: DP and pulses do not show why",
        ),
    ),
)

_NEEDLESS = Family(
    key="needless",
    title="Cleaning that is not wanted",
    members=(
        Member(
            "over_cleaning",
            At.HEADER,
            Measure("between_s", "s", "each row every {}", worse=-1, step=0.2, is_relative=True),
        ),
        Member("pulsing_at_wrong_time", At.HEADER),
    ),
    mended_by=(Work.SET_POINT_CHANGED, Work.CONTROLLER_MENDED),
    causes=(
        Cause(
            name="settings",
            title="set points too low or interval too short for the dust there is",
            evidence=(),
            check_first=("controller: set points, interval, pause between passes",),
            source="chosen: dust and load change, settings stay",
        ),
        Cause(
            name="no_interlock",
            title="cleaning is in manual, or not held by DP and the fan",
            prior=-0.5,  # chosen
            evidence=(),
            check_first=("controller: automatic or manual, signals of DP and fan",),
            source="chosen: a switch left in manual",
        ),
    ),
)

FAMILIES = (_SETTINGS, _RESTLESS, _HELD_OFF, _NEEDLESS)
