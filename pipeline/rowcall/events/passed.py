"""How many pulses came before each point."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats


def passed(at_s: Floats, fired_s: Floats) -> npt.NDArray[np.int64]:
    """Return how many of `fired_s` lie at or before each of `at_s`; both rising, shape (n,), (k,).

    There are many points for each pulse, so the few are looked for among the many.
    """
    first = np.searchsorted(at_s, fired_s)
    return np.cumsum(np.bincount(first, minlength=at_s.size + 1)[: at_s.size])
