"""What lets a process begin and end quickly, whatever it does in between."""

from __future__ import annotations

import atexit
import gc
import os


def start_quickly() -> None:
    """Settle how this process loads and lets go of what it uses; to be called first of all.

    Nothing that is computed depends on it.
    """
    # Loading modules makes many objects and no garbage: looking for it costs a tenth of the start,
    # and at the end, when all goes anyway, as much as reading a day of samples.
    gc.set_threshold(150_000)
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
    # The linear algebra here is small; starting threads for it takes half of numpy's loading.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Arrays in large pages take up to ten times as long to be made on a machine shared with others.
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    # Memory that frames let go of is given back within a tenth of a second instead of ten, as the
    # arrays made of them need as much again: a tenth less at the peak, for a hundredth of the time.
    os.environ.setdefault("_RJEM_MALLOC_CONF", "dirty_decay_ms:100,muzzy_decay_ms:0")
