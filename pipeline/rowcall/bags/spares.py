"""How many bags the coming outages take: those known to leak, and those that will have failed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from rowcall.bags.lives import Bag
from rowcall.bags.survival import Weibull

_DRAWS = 4000  # chosen: the ends of a 95 % interval then move by less than one bag
_SEED = 20_260_315
_ENDS = (2.5, 50.0, 97.5)  # percent


@dataclass(frozen=True, slots=True)
class Spares:
    """Bags that an outage takes: known ones, and further failures with their 95 % interval."""

    outage: date
    known: int
    expected: int
    low: int
    high: int


def spares_for(bags: Sequence[Bag], model: Weibull, outages: Sequence[date]) -> list[Spares]:
    """Return what each outage takes, new failures since the one before it.

    A bag in place may have failed at any time since it was last seen sound. At each outage those
    that failed are taken to be found and renewed; bags whose age is not known are left out.

    Args:
        model: of the life of these bags.
        outages: the coming ones, at least one, in order.
    """
    here = [bag for bag in bags if bag.until is None]
    known = sum(bag.waits for bag in here)
    rng = np.random.default_rng(_SEED)
    shape, scale = model.draw(_DRAWS, rng)
    stock = Counter(
        (bag.since, bag.sound or bag.since) for bag in here if bag.since and not bag.waits
    )
    # Of each group of bags: put in, last seen sound, how many in each draw.
    groups = [(since, sound, np.full(_DRAWS, n)) for (since, sound), n in sorted(stock.items())]
    out = []
    for outage in outages:
        failed = np.zeros(_DRAWS, int)
        for at, (since, sound, n) in enumerate(groups):
            seen, then = ((d - since).days for d in (sound, outage))
            risk = -np.expm1((seen / scale) ** shape - (then / scale) ** shape)
            own = rng.binomial(n, np.clip(risk, 0.0, 1.0))
            groups[at] = since, outage, n - own
            failed += own
        low, middle, high = np.percentile(failed, _ENDS)
        groups.append((outage, outage, failed + known))
        ends = int(np.floor(low)), int(np.ceil(high))
        out.append(Spares(outage, known, round(middle), *ends))
        known = 0
    return out
