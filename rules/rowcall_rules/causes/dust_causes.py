"""What can be behind dust after the filter."""

from __future__ import annotations

from rowcall.model import At, Cause, Evidence, Family, Measure, Member, Work

_PUFF = Measure(
    "puff_ratio", "1", "puff {} of the median row's", worse=1, step=0.3, is_relative=True
)

_DUST = Family(
    key="dust",
    title="Dust after the filter",
    members=(
        Member("dust_level_raised", At.HEADER, Measure("rise", "1", "{} up", 1, 0.2)),
        Member("leaking_row", At.ROW, _PUFF),
        Member("leaking_compartment", At.HEADER),
        Member("opacity_above_limit", At.HEADER),
        Member("dust_alarm_time", At.HEADER),
    ),
    mended_by=(Work.BAGS_CHANGED,),
    causes=(
        Cause(
            name="bag_or_seat",
            title="a bag torn, dropped or badly seated, or a crack of the tube sheet",
            evidence=(Evidence("leaking_row", 3.0),),
            prior=0.7,
            check_first=(
                "whether DP fell on the same day",
                "isolated: tube sheet and plenum for dust, loose seats, dropped bags; dye test",
            ),
            source="chosen: twice as frequent as a monitor that reads too much",
        ),
        Cause(
            name="monitor",
            title="the monitor reads too much: soiled windows, zero, water droplets",
            evidence=(),
            check_first=("its zero and span check, its windows, gas temperature at the monitor",),
            source="chosen: dust signals do not show why",
        ),
    ),
)

FAMILIES = (_DUST,)
