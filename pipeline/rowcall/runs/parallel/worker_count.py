"""How many worker processes a machine has room for."""

from __future__ import annotations

import os
import re
from pathlib import Path

from rowcall.store import Store

_WORKER_BYTES = 1.5 * 2**30  # a day of a large baghouse takes less: tests/benchmarks/workers.py
_MEMINFO = Path("/proc/meminfo")


def usual_workers(store: Store) -> int:
    """Return one for each core, and no more than there is free memory for."""
    return max(1, min(_cores(), int(_free_bytes(store) // _WORKER_BYTES)))


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):  # a container or service may have some of them only
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _free_bytes(store: Store) -> float:
    """Return the free memory; where the system does not say, 80 % of all (DuckDB's own limit)."""
    limit = "SELECT parse_formatted_bytes(current_setting('memory_limit'))"
    ((of_all,),) = store.connection.execute(limit).fetchall()
    if not _MEMINFO.exists():
        return float(of_all)
    free = re.search(r"MemAvailable: +(\d+) kB", _MEMINFO.read_text(encoding="ascii"))
    return min(float(of_all), float(free[1]) * 1024 if free else float(of_all))
