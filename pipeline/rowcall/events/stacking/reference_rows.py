"""Which rows of a header are its reference: those with a drop as most of those that answer have."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.events.stacking.pulse_curve import MIN_DROP
from rowcall.model import Floats

# Of the usual drop; chosen: rows of one build differ by 3-5 %, a weak one by 40 %
_PEER = (0.75, 1.35)
_NOTHING = 0.08  # chosen: of the deepest row's drop; below it a row is silent


def reference_rows(share: Floats, drop: float) -> npt.NDArray[np.bool_]:
    """Return which rows have a drop as most of those that answer have; all if none has.

    Args:
        share: drop of each row as a share of the drop, shape (n_rows,) [-].
        drop: relative drop that the shares are of [-].
    """
    usual = commonest(share, drop)
    near = (share > _PEER[0] * usual) & (share < _PEER[1] * usual)
    middle = float(np.median(share[near])) if near.any() else usual
    near = (share > _PEER[0] * middle) & (share < _PEER[1] * middle)
    return near if near.any() else np.ones(share.size, np.bool_)


def commonest(share: Floats, drop: float) -> float:
    """The share that most rows have; of two that as many have, the deeper one.

    Silent rows do not count. What lies far below the deepest row is silent, but never what would
    make a usual drop: late in a refill a row that hangs can be twenty times deeper than others.

    Args:
        share, drop: as of `reference_rows`.
    """
    nothing = min(_NOTHING * float(share.max()), MIN_DROP / max(drop, MIN_DROP))
    peers = (share > _PEER[0] * share[:, None]) & (share < _PEER[1] * share[:, None])
    n_peers = np.where(share > nothing, peers.sum(axis=1), -1)
    return float(share[np.lexsort((share, n_peers))[-1]])
