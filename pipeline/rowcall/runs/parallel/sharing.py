"""Arrays that tags have in common, such as the instants of an export, made one.

Such an array goes to another process once: half of what a baghouse-day weighs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

K = TypeVar("K")
T = TypeVar("T")


def sharing(by_tag: Mapping[K, T], *names: str) -> dict[K, T]:
    """Return dataclasses of which equal arrays of these names, which hold no NaN, are one."""
    known: dict[tuple[str, int], list[Any]] = {}

    def one_of(name: str, array: Any) -> Any:
        alike = known.setdefault((name, array.size), [])
        same = next((other for other in alike if np.array_equal(other, array)), None)
        if same is None:
            alike.append(array)
        return array if same is None else same

    return {
        key: replace(of_tag, **{name: one_of(name, getattr(of_tag, name)) for name in names})  # type: ignore[type-var]
        for key, of_tag in by_tag.items()
    }
