"""The cadence of a header put to use: its fires, and how their row numbers are to be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.firing.cadence.instants import sharpen
from rowcall.events.firing.cadence.sequence import Cadence, find_cadence, find_cadences
from rowcall.events.firing.cadence.starts import Start
from rowcall.events.firing.recorded import Fires
from rowcall.events.noise import noise_of
from rowcall.model import Inferred, Signal
from rowcall.site import Baghouse

_MAX_UNOBSERVED = 0.005  # of the day; chosen: a count of calls is then right to half a percent
_MIN_FALL_SHARE = 0.25  # chosen: of the deepest falls; smaller ones are no drops
_MIN_NOISES = 5.0  # chosen: a fall below five standard deviations of noise is no drop
_MAX_STEP_S = 2.5  # chosen: further apart, whole bouts fall in step with the samples, unobserved


@dataclass(frozen=True, slots=True)
class InferredFires:
    """Fires of one header, and for each compartment on it how they were inferred.

    coarse: the cadence, where samples lie so far apart that it judges better than each pulse does.
    """

    fires: Fires
    inferred: Mapping[int, Inferred]
    coarse: Cadence | None = None

    def corrected(self, pulses: pl.DataFrame) -> pl.DataFrame:
        """Return the pulses of these fires, those of far-apart samples judged by the cadence.

        Such a fire is known to a sampling period only, so that its own samples do not show whether
        it was observable, nor how late its minimum came; the beats around it do.
        """
        if self.coarse is None:
            return pulses
        is_observable = pl.Series(self.coarse.observable)
        return pulses.with_columns(
            pl.when(is_observable).then(pl.Series(self.coarse.seen)).alias("answered"),
            pl.when(is_observable).then("drop_pa").alias("drop_pa"),
            pl.lit(None, pl.Float64).alias("min_delay_s"),
        )


def infer_fires(
    baghouse: Baghouse,
    header: Signal,
    own: int,
    served: Sequence[int],
    seconds: float,
    caught: Fires | None = None,
) -> InferredFires:
    """Return the fires of a header that has neither bits nor a counter.

    Args:
        own: compartment of the header, 0 where it serves several.
        served: compartments that it serves.
        seconds: length of the day [s].
        caught: the few of them whose bits a scan caught.
    """
    if len(served) > 1:
        return _shared(baghouse, header, own, served)
    n_rows = baghouse.rows[served[0] - 1]
    cadence = find_cadence(
        header,
        n_rows,
        order=_order(baghouse, served[0]),
        interval_s=baghouse.cleaning.interval,
        caught=caught,
    )
    why = _unusable(cadence, n_rows)
    if why:
        how = Inferred(n_places=0, is_row=False, text=why)
        return InferredFires(find_drops(header, own or 1), dict.fromkeys(served, how))
    is_coarse = float(np.median(np.diff(header.time_s))) > _MAX_STEP_S
    is_row = cadence.anchor != "none"
    fires = Fires(
        *sharpen(cadence.low_s, cadence.high_s, cadence.seen, cadence.segment),
        np.full(cadence.place.size, served[0], np.int64),
        cadence.row if is_row else cadence.place,
        not is_coarse and _unobserved_s(header, cadence, seconds) <= _MAX_UNOBSERVED * seconds,
    )
    how = Inferred(cadence.n_places, is_row, _description(cadence))
    return InferredFires(fires, {served[0]: how}, cadence if is_coarse else None)


def _unobserved_s(header: Signal, cadence: Cadence, seconds: float) -> float:
    """Return how long neither samples nor beats counted across a gap show fires [s]."""
    edges = np.concatenate(([0.0], header.time_s, [seconds]))
    apart = np.diff(edges)
    gap = np.flatnonzero(apart > max(2 * cadence.interval_s, header.longest_hold_s))
    middle = (cadence.low_s + cadence.high_s) / 2
    inside = np.searchsorted(middle, edges[gap + 1]) - np.searchsorted(middle, edges[gap])
    return float(apart[gap][inside == 0].sum())


def _shared(baghouse: Baghouse, header: Signal, own: int, served: Sequence[int]) -> InferredFires:
    """Return the drops of a shared header, and what its cadence shows of silent rows."""
    rows = [baghouse.rows[c - 1] for c in served]
    found = find_cadences(header, rows, interval_s=baghouse.cleaning.interval)
    why = "; ".join(_round_text(cadence) for cadence in found)
    if found[0].is_found:
        why = (
            f"one header serves {len(served)} compartments, so that a beat of its cadence shows "
            f"neither compartment nor row: {why}"
        )
    how = Inferred(n_places=0, is_row=False, text=why)
    return InferredFires(find_drops(header, own or 1), dict.fromkeys(served, how))


def find_drops(header: Signal, compartment: int) -> Fires:
    """Return the fires that show themselves as drops, where neither bits nor a counter do.

    A silent row leaves no trace here, so the table is not complete and knows no row numbers.
    """
    empty = np.empty(0, np.int64)
    if header.time_s.size < 8:
        return Fires(np.empty(0), np.empty(0), empty, empty, is_complete=False)
    fall = np.concatenate(([0.0], header.value[:-1] - header.value[1:]))
    limit = max(
        _MIN_FALL_SHARE * float(np.quantile(fall, 0.999)), 2 * _MIN_NOISES * noise_of(header)
    )
    falling = fall > limit
    onset = np.flatnonzero(falling & ~np.concatenate(([False], falling[:-1])))
    low, high = header.time_s[onset - 1], header.time_s[onset]
    whose = np.full(onset.size, compartment, np.int64)
    return Fires(low, high, whose, np.zeros(onset.size, np.int64), is_complete=False)


def _round_text(cadence: Cadence) -> str:
    if not cadence.is_found:
        return cadence.reason
    quiet = ", ".join(str(place) for place in cadence.silent)
    seen = f"number {quiet} has no drop" if quiet else "each has its drop"
    return f"of the {cadence.n_places} beats of a round, {cadence.interval_s:.3g} s apart, {seen}"


def _order(baghouse: Baghouse, compartment: int) -> tuple[int, ...] | None:
    """Firing order of one compartment; those with fewer rows leave the higher numbers out."""
    if baghouse.firing_order is None:
        return None
    n_rows = baghouse.rows[compartment - 1]
    return tuple(row for row in baghouse.firing_order if row <= n_rows)


def _unusable(cadence: Cadence, n_rows: int) -> str:
    """Say why the cadence names neither rows nor places, '' where it does."""
    if not cadence.is_found:
        return cadence.reason
    if cadence.n_places > n_rows:
        return (
            f"beats without a drop come round every {cadence.n_places} beats, while the site file "
            f"has {n_rows} rows"
        )
    return ""


def _description(cadence: Cadence) -> str:
    """Say how places are counted and why they are no rows, or how rows were inferred."""
    if cadence.anchor != "none":
        first = int(cadence.row[cadence.place == 1][0])
        return (
            "rows are found from header pressure: the sequence starts anew after each rest, taken "
            f"to be at row {first}, the first of the firing order"
        )
    if cadence.start in (Start.ENDLESS, Start.NEXT, Start.ANY):
        hours, rest = divmod(round(float(cadence.low_s[0] + cadence.high_s[0]) / 2), 3600)
        clock = f"{hours}:{rest // 60:02d}:{rest % 60:02d}"
        count = f"counted from the beat {clock} after the day began"
    else:
        count = "after the sequence start"
    ends_silent = cadence.start is Start.WHOLE and cadence.n_places in cadence.silent
    ends = "; every bout is a beat short of a round: a silent row, or none fired there"
    return (
        f"{count}; header pressure does not show which row that is, for {cadence.reason}"
        f"{ends if ends_silent else ''}"
    )
