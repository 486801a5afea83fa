"""What changed for all headers at once, and what for one of them: one model, hour by hour.

Of each header i the data give a change x_i (the logarithm of a ratio to what is usual) and its
error. It is the sum of a part c that all share, the supply's, and a part e_i of its own:

    x_i = c + e_i + noise.

c is a sound supply's wander or, now and then, anything up to `_LARGEST`; e_i is 0 or, more seldom,
anything, mostly for the worse; half of both lies within `_NEAR`. Posteriors on a grid of c.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from rowcall.model import Floats

_P_SHARED = 0.05  # chosen: hours of a changed supply
P_OWN = 0.002  # chosen: header-hours with a change of their own
_BETTER = 0.02  # chosen: of a header's own changes; a regulator raised, a mended feed
_LARGEST = 2.5  # of a logarithm; chosen: a refill twelve times as long
_NEAR = 0.5  # of a logarithm; chosen: most leaks take less than 40 % of a plateau
_STEP = 0.002  # of the grid; chosen: less than any error
_GRID = np.arange(-0.4, _LARGEST + _STEP, _STEP)
_TINY = 1e-300  # chosen: against division by zero


@dataclass(frozen=True, slots=True)
class Parts:
    """Posteriors of one quantity; nan where a header shows nothing in an hour.

    Attributes:
        p_shared: that the shared part is beyond the limit, shape (n_hours,).
        shared: its mean, shape (n_hours,).
        p_own: that a header's own part is beyond its limit, shape (n_headers, n_hours).
        own: its mean, shape (n_headers, n_hours).
    """

    p_shared: Floats
    shared: Floats
    p_own: Floats
    own: Floats


def split(
    change: Floats,
    error: Floats,
    *,
    wander: float,
    limit: float,
    p_changed: Floats | float = P_OWN,
) -> Parts:
    """Split changes into shared and own parts.

    Args:
        change, error: logarithms, positive for the worse, shape (n_headers, n_hours); nan where
            nothing is known.
        wander: standard deviation of the shared part of a sound supply.
        limit: what the parts are compared with.
        p_changed: that a header has a change of its own, before its data are seen; of every one,
            or shape (n_headers, n_hours).
    """
    x, sd = change[..., None], np.maximum(error, _STEP / 2)[..., None]
    known = np.isfinite(change) & np.isfinite(error)
    z = (x - _GRID) / sd
    alike = np.exp(-0.5 * z**2) / (sd * np.sqrt(2.0 * np.pi))
    has_own = np.broadcast_to(p_changed, change.shape)[..., None]
    at_least = {at: ndtr((x - _GRID - at) / sd) for at in (0.0, limit, _NEAR)}
    better = _BETTER / _LARGEST * (1.0 - at_least[0.0])
    density = (1.0 - has_own) * alike + has_own * (_worse(at_least, 0.0) + better)
    usual = np.exp(-0.5 * (_GRID / wander) ** 2) / (wander * np.sqrt(2.0 * np.pi))
    fallen = (_GRID >= 0) * ((_GRID < _NEAR) / _NEAR + 1.0 / _LARGEST) / 2.0
    prior = (1.0 - _P_SHARED) * usual + _P_SHARED * fallen
    log = np.where(known[..., None], np.log(np.maximum(density, _TINY)), 0.0).sum(axis=0)
    posterior = prior * np.exp(log - log.max(axis=-1, keepdims=True))
    posterior /= posterior.sum(axis=-1, keepdims=True)
    shared = (posterior * _GRID).sum(axis=-1)
    p_own = (posterior * has_own * _worse(at_least, limit) / np.maximum(density, _TINY)).sum(
        axis=-1
    )
    return Parts(
        p_shared=(posterior * (limit <= _GRID)).sum(axis=-1),
        shared=shared,
        p_own=np.where(known, p_own, np.nan),
        own=np.where(known, change - shared, np.nan),
    )


def _worse(at_least: dict[float, Floats], limit: float) -> Floats:
    """Density of the data where a header's own change is worse than a limit.

    Args:
        at_least: by bound, the probability that the own change is beyond it.
    """
    near = np.maximum(at_least[limit] - at_least[_NEAR], 0.0) / _NEAR
    return np.asarray((1.0 - _BETTER) / 2.0 * (near + at_least[limit] / _LARGEST))
