"""Dust after a baghouse on a day, and its rows' puffs: of its dust signal, else of its opacity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.condition.minutes import shared_signal
from rowcall.events.dust.monitor import Dust, dust_of
from rowcall.events.dust.puffs import MAX_DELAY_S, Puffs, find_puffs
from rowcall.events.find import Events, Signals
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.model import PUFF_COLUMNS, Floats
from rowcall.site import Baghouse, Role

_MAX_STEP_S = 60.0  # chosen: coarser points hardly ever meet a puff
_MAX_NEAR = 200_000  # chosen: pulses near enough to another to overlap, of which a part is enough
_NEAR_S = 60.0  # [s] chosen: as long as the longest puffs
_KNOWN_TO_S = 4.0  # chosen: a stated delay is known so well; gas is faster or slower at times


@dataclass(frozen=True, slots=True)
class DayPuffs:
    """Puffs of the places, in their order, by one monitor."""

    role: Role
    places: Sequence[tuple[int, int]]
    puffs: Puffs

    def table(self) -> pl.DataFrame:
        """Return the stacked puffs, columns `PUFF_COLUMNS`."""
        puffs, n_rows = self.puffs, len(self.places)
        usual = np.full(puffs.stacked.shape, np.nan)  # a row alone has no others
        if n_rows > 1:
            others = [np.delete(puffs.stacked, n, axis=0) for n in range(n_rows)]
            usual = np.array([np.median(one, axis=0) for one in others])
        place = np.repeat(np.array(self.places), puffs.since_s.size, axis=0)
        return pl.DataFrame(
            {
                "compartment": place[:, 0],
                "row": place[:, 1],
                "since_s": np.tile(puffs.since_s, n_rows),
                "mean": puffs.stacked.ravel(),
                "error": puffs.stacked_error.ravel(),
                "usual": usual.ravel(),
            },
            schema=PUFF_COLUMNS,
        )


@dataclass(frozen=True, slots=True)
class DayDust:
    """What the monitors show while gas flows, the better one first, and the rows' puffs."""

    monitors: Mapping[Role, Dust]
    puffs: DayPuffs | None


def day_dust(
    baghouse: Baghouse, signals: Signals, gas: GasSeconds | None, events: Events
) -> DayDust:
    """Return the dust of a day; nothing where it is not known when gas flowed."""
    if gas is None:
        return DayDust({}, None)
    monitors = {
        role: dust_of(signal, gas)
        for role in (Role.DUST_SIGNAL, Role.OPACITY)
        if (signal := shared_signal(signals, role)) is not None
    }
    first = next(iter(monitors), None)
    if first is None or not events.fires_known:
        return DayDust(monitors, None)
    signal, seconds = shared_signal(signals, first), float(gas.is_moving.size)
    if signal is None or signal.time_s.size < seconds / _MAX_STEP_S / 2:
        return DayDust(monitors, None)
    return DayDust(monitors, _puffs(baghouse, first, monitors[first], events.pulses, seconds))


def _puffs(
    baghouse: Baghouse, role: Role, dust: Dust, pulses: pl.DataFrame, seconds: float
) -> DayPuffs | None:
    """Return the puffs of a day by pulses that were sent and not left unanswered."""
    blown = pulses.filter(pl.col("row").is_not_null() & pl.col("answered").fill_null(True))
    if blown.is_empty():
        return None
    place = blown.select("compartment", "row").rows()
    places = sorted(set(place))
    number = {one: n for n, one in enumerate(places)}
    whose = [number[one] for one in place]
    until = _enough(blown["time_s"].to_numpy(), seconds)
    inside = blown["time_s"].is_between(0, until, closed="left").to_numpy()
    dusty = dust.time_s < until
    delay = baghouse.dust_delay
    known = None if delay is None else (max(0.0, delay - _KNOWN_TO_S), delay + _KNOWN_TO_S)
    found = find_puffs(
        dust.time_s[dusty],
        dust.value[dusty],
        blown["time_s"].to_numpy()[inside],
        np.array(whose, np.intp)[inside],
        len(places),
        seconds=until,
        delays_s=known or (0.0, MAX_DELAY_S),
    )
    return None if found is None else DayPuffs(role, places, found)


def _enough(fired_s: Floats, seconds: float) -> float:
    """Return up to when a day is looked at: where pulses are dense, not to its end [s]."""
    spacing = max(float(np.median(np.diff(fired_s, append=seconds))), 0.1)
    n = int(_MAX_NEAR * spacing / _NEAR_S)
    return seconds if fired_s.size <= n else float(fired_s[n])
