"""Whether failed bags crowd somewhere more than chance would have it, by permutation.

Under chance each bag of a stratum is as likely to fail as any other of it: failures are dealt anew
to the seats of their stratum, and how often a sum as high as the observed one comes up is counted
(the p-value with the observed deal among them, Phipson and Smyth 2010). Over the groups of one
factor the highest of the standardised sums is compared (Westfall and Young 1993), over the factors
p-values are corrected after Holm (1979).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata

from rowcall.bags.lives import Bag, failures_of
from rowcall.model import Floats

Counts = npt.NDArray[np.int64]

MIN_FAILED = 3  # the fewest that stand out of 12 positions and 6 tests though all share one
CHANCE = 0.05  # of a pattern found anywhere in a map without one; the usual
_DEALS = 1999  # chosen: p-values to 0.0005
_SEED = 20_260_315  # chosen: the same map gives the same p-values


@dataclass(frozen=True, slots=True)
class Pattern:
    """Where failed bags crowd most by one factor.

    Attributes:
        factor: `row`, `position`, `inlet side`, `wall`, `compartment` or `age`.
        places: the groups that stand out, or the one that comes nearest, as their keys:
            (compartment, row) of rows, else one number; 1 and -1 of age are old and young bags.
        failed: failed bags there, of `total`; expected: by chance (of age: all, and None).
        p: that chance would show as much anywhere, corrected for all that was asked.
    """

    factor: str
    places: tuple[tuple[int, ...], ...]
    failed: int
    total: int
    expected: float | None
    p: float

    @property
    def stands_out(self) -> bool:
        """Whether it is more than chance."""
        return self.p <= CHANCE


def patterns_of(bags: Sequence[Bag]) -> list[Pattern]:
    """Return a pattern a factor that can be asked; none where too few bags failed."""
    if len(failures_of(bags)) < MIN_FAILED:
        return []
    found = [*_by_place(bags), *_by_age(bags)]
    corrected = holm([pattern.p for pattern, _ in found])
    return [
        replace(pattern, p=p, places=_standing_out(pattern, groups, p))
        for (pattern, groups), p in zip(found, corrected, strict=True)
    ]


def _standing_out(
    pattern: Pattern, groups: Mapping[tuple[int, ...], float], p: float
) -> tuple[tuple[int, ...], ...]:
    """Return the groups that stand out with the correction of the first, at least that one."""
    times = p / pattern.p
    return (*pattern.places, *(key for key, own in groups.items() if own * times <= CHANCE))


def _by_place(bags: Sequence[Bag]) -> Iterator[tuple[Pattern, dict[tuple[int, ...], float]]]:
    failed = Counter(bag.seat for bag in failures_of(bags))
    zone = {bag.seat: bag.zone for bag in bags}
    seats = sorted(zone)
    count = np.array([failed[seat] for seat in seats])
    compartments, rows = [seat[:1] for seat in seats], [seat[:2] for seat in seats]
    factors: dict[str, tuple[Sequence[tuple[int, ...]], Sequence[tuple[int, ...]]]] = {
        "row": (rows, compartments),
        "position": ([seat[2:] for seat in seats], rows),
        "compartment": (compartments, [()] * len(seats)),
    }
    for name in ("inlet side", "wall"):
        factors[name] = [(int(zone[seat] == name),) for seat in seats], compartments
    for factor, (keys, strata) in factors.items():
        groups = [key for key in sorted(set(keys)) if key != (0,)]
        if len(set(keys)) < 2 or not groups:
            continue
        member = np.array([[key == group for group in groups] for key in keys], float)
        sums, expected, p = excess(count, member, _numbered(strata))
        worst = int(np.lexsort((expected - sums, p))[0])
        pattern = Pattern(
            factor,
            (groups[worst],),
            int(sums[worst]),
            int(count.sum()),
            float(expected[worst]),
            float(p[worst]),
        )
        others = {g: float(own) for g, own in zip(groups, p, strict=True) if g != groups[worst]}
        yield pattern, others


def _numbered(keys: Sequence[tuple[int, ...]]) -> Counts:
    number = {key: n for n, key in enumerate(sorted(set(keys)))}
    return np.array([number[key] for key in keys])


def _by_age(bags: Sequence[Bag]) -> Iterator[tuple[Pattern, dict[tuple[int, ...], float]]]:
    """Compare failed bags with those that hung there on the day on which they were found."""
    score, failed, stratum = list[float](), list[int](), list[int]()
    for day in sorted({bag.found.day for bag in bags if bag.found}):
        there = [bag for bag in bags if bag.since and bag.since < day and _hangs(bag, day)]
        ages = [(day - bag.since).days for bag in there if bag.since]
        hit = [int(bag.found is not None and bag.found.day == day) for bag in there]
        if not any(hit) or len(set(ages)) < 2:
            continue
        score += ((rankdata(ages) - 0.5) / len(ages)).tolist()
        failed += hit
        stratum += [day.toordinal()] * len(there)
    if sum(failed) < MIN_FAILED:
        return
    both = np.array(score)[:, None] * np.array([1.0, -1.0])
    _, _, p = excess(np.array(failed), both, np.array(stratum))
    worst = int(np.argmin(p))
    n = sum(failed)
    yield Pattern("age", (((1, -1)[worst],),), n, n, None, float(p[worst])), {}


def _hangs(bag: Bag, day: date) -> bool:
    """Return whether a bag is in place and not known to have failed before a day."""
    is_there = bag.until is None or bag.until >= day
    return is_there and (bag.found is None or bag.found.day >= day)


def excess(failed: Counts, score: Floats, stratum: Counts) -> tuple[Floats, Floats, Floats]:
    """Return sums of scores of the failed, what chance expects, and p of each column.

    Args:
        failed: failures of each seat, shape (seats,).
        score: of each seat, one column a group, shape (seats, groups).
        stratum: within which failures are dealt, shape (seats,).
    """
    rng = np.random.default_rng(_SEED)
    deals = np.zeros((_DEALS, score.shape[1]))
    expected, variance = np.zeros((2, score.shape[1]))
    for one in np.unique(stratum[failed > 0]):
        own, n = stratum == one, np.count_nonzero(stratum == one)
        deals += _dealt(failed[own], rng) @ score[own]
        expected += failed[own].mean() * score[own].sum(axis=0)
        variance += n * failed[own].var() * n * score[own].var(axis=0) / max(1, n - 1)
    sums = failed @ score
    # Of groups in which chance could change nothing, nothing stands out.
    scatter = np.sqrt(np.where(variance > 1e-12, variance, np.inf))
    highest = ((deals - expected) / scatter).max(axis=1)
    above = highest[:, None] >= (sums - expected) / scatter - 1e-9
    return sums, expected, (1 + above.sum(axis=0)) / (1 + _DEALS)


def _dealt(failed: Counts, rng: np.random.Generator) -> Floats:
    """Return failures dealt anew to the seats of a stratum, shape (deals, seats)."""
    hit = failed[failed > 0]
    keys = rng.random((_DEALS, failed.size))
    seats = np.argpartition(keys, hit.size - 1, axis=1)[:, : hit.size]
    out = np.zeros(keys.shape)
    values = rng.permuted(np.tile(hit.astype(float), (_DEALS, 1)), axis=1)
    np.put_along_axis(out, seats, values, axis=1)
    return out


def holm(p: Sequence[float]) -> list[float]:
    """Return p-values corrected for their number."""
    values = np.asarray(p, float)
    order = np.argsort(values)
    times = values.size - np.arange(values.size)
    out = np.empty_like(values)
    out[order] = np.minimum(np.maximum.accumulate(values[order] * times), 1.0)
    return [float(one) for one in out]
