"""Causes of tags that are not to be trusted."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Family, Measure, Member, Work

_CHOSEN = "chosen: the data shows how a tag is wrong, not what is behind it"

_SENSOR = Family(
    key="sensor",
    title="Sensors",
    members=(
        Member("dp_tap_plugged", At.HEADER),
        Member("tag_stuck", At.HEADER),
        Member("tag_drifts", At.HEADER, Measure("dp_off", "dp", "DP reads {} off", 1, 10.0)),
        Member("tags_disagree", At.HEADER),
        Member("tags_swapped", At.HEADER),
        Member("headers_swapped", At.HEADER),
    ),
    mended_by=(Work.INSTRUMENT_MENDED,),
    causes=(
        Cause(
            name="line",
            title="tap or impulse line: plugged, leaking, or with water in it",
            evidence=(
                Evidence("dp_tap_plugged", 3.0, -0.5),
                Evidence("tags_swapped", -2.0),
                Evidence("headers_swapped", -2.0),
            ),
            check_first=(
                "a hand-held gauge at the test taps",
                "isolated: blow back the impulse lines, rod out the taps",
            ),
            source=_CHOSEN,
        ),
        Cause(
            name="transmitter",
            title="transmitter: failed, drifted, or of another range",
            evidence=(
                Evidence("tag_drifts", 1.5),
                Evidence("tags_disagree", 0.7),
                Evidence("dp_tap_plugged", -1.0),
            ),
            check_first=(
                "its display against the control system and a hand-held instrument",
                "isolated: zero and calibrate it",
            ),
            source=_CHOSEN,
        ),
        Cause(
            name="channel",
            title="channel, wiring or names: forced, lost, swapped, or held by the collector",
            evidence=(
                Evidence("tag_stuck", 1.5),
                Evidence("tags_swapped", 3.0),
                Evidence("headers_swapped", 3.0),
                Evidence("dp_tap_plugged", -1.0),
            ),
            check_first=(
                "whether the channel is forced or in simulation; names in export and site file",
            ),
            source=_CHOSEN,
        ),
    ),
)

FAMILIES = (_SENSOR,)
