"""Frames on their way to DuckDB."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl


class Stream:
    """A frame as nothing but an Arrow stream.

    Given the frame itself, DuckDB would import pyarrow to read it, which takes longer than most
    of the statements here.
    """

    def __init__(self, frame: pl.DataFrame) -> None:
        import polars as pl

        # DuckDB refuses the stream of a column of which nothing but nulls is known.
        self._frame = frame.with_columns(pl.col(pl.Null).cast(pl.String))

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        return self._frame.__arrow_c_stream__(requested_schema)

    def release(self) -> None:
        """Let go of the frame: DuckDB keeps what was registered until the transaction ends."""
        self._frame = self._frame.clear()
