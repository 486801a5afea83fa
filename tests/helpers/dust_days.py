"""Days of dust: facts of the day and of days before it, and the rules' answers to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from helpers.scenes import history_of

from rowcall.model import FACT_COLUMNS, BaghouseDay, Fact, Floats, History, Signal, TagHealth
from rowcall.site import Baghouse, Role

DAY = date(2026, 11, 26)
DAY_S = 86_400.0
START = datetime(2026, 11, 26, tzinfo=UTC)
Place = tuple[int, int]
_NOTHING = Signal(np.empty(0), np.empty(0))


def dust_house(**other: object) -> Baghouse:
    fixed: dict[str, object] = {
        "id": "BH1",
        "name": "Kiln filter",
        "compartments": 1,
        "rows_per_compartment": 12,
        "cleaning": {"mode": "on_time"},
        "tag": [
            {"role": "dust_signal", "tag": "D", "unit": "mg/m3"},
            {"role": "opacity", "tag": "O", "unit": "%"},
            {"role": "gas_flow", "tag": "F", "unit": "m3/s"},
        ],
    }
    return Baghouse.model_validate(fixed | other)


def dust_day(
    series: Mapping[tuple[Fact, Place], Sequence[float] | Floats],
    signals: Mapping[tuple[Role, int, int], Signal] | None = None,
    baghouse: Baghouse | None = None,
    day: date = DAY,
) -> BaghouseDay:
    """Return a day with facts by place, the last of each series today's, those before on days."""
    baghouse = baghouse or dust_house()
    today = [(*place, fact.column, float(one[-1])) for (fact, place), one in series.items()]
    past = [
        history_of({fact: [float(v) for v in one[:-1]]}, day, place).facts
        for (fact, place), one in series.items()
        if len(one) > 1
    ]
    start = START + (day - DAY)
    health = tuple(
        TagHealth(tag.tag, tag.role, 0, 0, 8640, 0, 0, 1.0, 10.0) for tag in baghouse.tag
    )
    return BaghouseDay(
        day=day,
        start=start,
        end=start + timedelta(days=1),
        baghouse=baghouse,
        signals=signals or {(tag.role, 0, 0): _NOTHING for tag in baghouse.tag},
        health=health,
        minutes=pl.DataFrame(),
        pulses=pl.DataFrame(),
        cycles=pl.DataFrame(),
        facts=pl.DataFrame(today, schema=FACT_COLUMNS, orient="row"),
        history=History(pl.concat(past)) if past else History(),
    )
