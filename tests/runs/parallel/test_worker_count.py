"""As many workers as there are cores, and no more than there is free memory for."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.exports import open_store

from rowcall.runs.parallel import worker_count
from rowcall.runs.parallel.worker_count import usual_workers


@pytest.mark.parametrize(
    ("free_gib", "limit_gib", "workers"),
    [(100, 50, 8), (7, 50, 4), (0.5, 50, 1), (100, 4, 2), (None, 7, 4)],
)
def test_cores_and_free_memory_count(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    free_gib: float | None,
    limit_gib: float,
    workers: int,
) -> None:
    """A container may have less memory than its machine; not every system says what is free."""
    meminfo = tmp_path / "meminfo"
    if free_gib is not None:
        text = f"MemTotal: 209715200 kB\nMemAvailable:   {free_gib * 2**20:.0f} kB\n"
        meminfo.write_text(text, encoding="ascii")
    monkeypatch.setattr(worker_count, "_MEMINFO", meminfo)
    monkeypatch.setattr(worker_count, "_cores", lambda: 8)
    with open_store(tmp_path / "store.duckdb") as store:
        before = store.connection.sql("SELECT current_setting('memory_limit')").fetchall()[0][0]
        store.connection.execute(f"SET memory_limit = '{limit_gib} GiB'")
        try:
            assert usual_workers(store) == workers
        finally:
            store.connection.execute(f"SET memory_limit = '{before}'")
