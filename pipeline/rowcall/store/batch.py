"""What one export brings to the store: sorted samples, and what had to be set aside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import polars as pl

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SET_ASIDE_SCHEMA = {
    "line": pl.Int64,
    "column_name": pl.String,
    "raw": pl.String,
    "reason": pl.String,
}


@dataclass(frozen=True, slots=True)
class Batch:
    """Samples of one export, sorted by tag and time, one sample a tag and instant.

    Attributes:
        names: tag names; `bounds[i]:bounds[i + 1]` is the slice of `names[i]` in the arrays.
        bounds: i64, one longer than `names`.
        time_us: i64, microseconds since 1970-01-01 UTC, strictly rising within a tag.
        value: f64, NaN where there was no number.
        quality: u8, 0 good, 1 uncertain, 2 bad.
    """

    names: tuple[str, ...]
    bounds: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_us)

    def slices(self) -> Iterator[slice]:
        """Return the slice of each tag, in the order of `names`."""
        return (slice(int(a), int(b)) for a, b in zip(self.bounds, self.bounds[1:], strict=False))


@dataclass(frozen=True, slots=True)
class Part:
    """Some of an export's samples, and some of its rows set aside; either may be none.

    `set_aside` has the columns of `SET_ASIDE_SCHEMA`: 1-based line, column name or empty for a
    whole line, raw text, reason.
    """

    batch: Batch
    set_aside: pl.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """One export file, ready to be stored; one too large for memory comes in many parts.

    Attributes:
        written_ns: when its file was last written, nanoseconds since 1970-01-01 UTC.
        rows_read: long-layout lines, or wide-layout cells that hold something plus whole lines
            that were set aside; equals the samples plus the rows set aside of all parts.
        parts: gone through once, inside the transaction; no tag and instant is in two of them.
    """

    name: str
    sha256: str
    size_bytes: int
    written_ns: int
    taken_in_at: datetime
    zone: ZoneInfo
    rows_read: int
    parts: Iterable[Part]
