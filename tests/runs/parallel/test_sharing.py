"""Equal arrays of tags are one, and go to another process once."""

from __future__ import annotations

import pickle

import numpy as np

from rowcall.runs.parallel.sharing import sharing
from rowcall.store.samples import TagSamples


def tag(first: int, n: int = 1000) -> TagSamples:
    return TagSamples(np.arange(first, first + n), np.linspace(0.0, 1.0, n), np.zeros(n, np.uint8))


def test_instants_that_tags_have_in_common_are_one_array_and_all_else_stays() -> None:
    tags = {"a": tag(0), "b": tag(0), "c": tag(1), "d": tag(0, 999)}
    shared = sharing(tags, "time_us", "quality")
    assert list(shared) == list(tags)
    assert shared["b"].time_us is shared["a"].time_us
    assert shared["c"].quality is shared["a"].quality
    assert shared["c"].time_us is tags["c"].time_us
    for name, samples in tags.items():
        for field in ("time_us", "value", "quality"):
            assert np.array_equal(getattr(shared[name], field), getattr(samples, field))
    assert len(pickle.dumps(shared)) < 0.9 * len(pickle.dumps(tags))
