"""Facts of headers, where the pulses show hardly anything."""

from __future__ import annotations

import numpy as np
import polars as pl

from rowcall.events.facts.header_lines import _air


def test_pulses_without_a_drop_take_no_known_air() -> None:
    """More than half of the answered pulses at or below zero: noise, with the air off."""
    pulses = pl.DataFrame({"answered": [True] * 100, "share": [0.0] * 100})
    assert list(_air(0.2, 1e4, np.zeros(100), pulses)) == []
