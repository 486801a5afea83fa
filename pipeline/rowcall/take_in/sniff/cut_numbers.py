"""Values that a decimal comma may have cut in two, so that their decimals stand as a quality."""

from __future__ import annotations

import polars as pl

from rowcall.take_in.read.cell_table import Table, column

_WHOLE = r"^\s*[+-]?\d+\s*$"


def may_be_cut(table: Table, value: int, quality: int) -> pl.Series | None:
    """Return a mask of the rows with two whole numbers and, behind them, a field without a name.

    None where no row can be such: the mask is worked out for the layout that allows it only.

    Under `value,quality` the row `12,38,` may be 12 with the quality 38, or 12.38 without one.
    """
    is_last = value + 1 == quality and not any(table.names[quality + 1 :])
    if table.separator != "," or not is_last or quality + 1 == len(table.names):
        return None
    cells = (pl.col(column(place)).cast(pl.String) for place in (value, quality))
    whole = [cell.str.contains(_WHOLE).fill_null(False) for cell in cells]
    return table.frame.select(pl.all_horizontal(whole)).to_series()
