"""Edits of the tests' exports: other units, other days, other orders, other values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt
from helpers.scenes import Export

from rowcall.model import Floats
from rowcall.store.samples import TagSamples
from rowcall.units import UNITS, Unit

Doubles = npt.NDArray[np.float64]
Edit = Callable[[dict[str, TagSamples]], Mapping[str, TagSamples]]
Change = Callable[[Floats, Floats], Floats]


def edited(export: Export, edit: Edit) -> Export:
    """Return an export with its samples changed."""
    return replace(export, samples=dict(edit(dict(export.samples))))


def in_unit(export: Export, role: str, unit: str) -> Export:
    """Return the export as if the historian kept a role's tags in another unit."""
    code, tags, samples = UNITS[unit], [], dict(export.samples)
    for tag in export.baghouse.tag:
        if tag.role.value != role:
            tags.append(tag)
            continue
        old = tag.outside_unit
        span = None if tag.span is None else recoded(np.array(tag.span), old, code).tolist()
        tags.append(tag.model_copy(update={"unit": unit, "span": span}))
        one = samples[tag.tag]
        samples[tag.tag] = replace(one, value=recoded(one.value, old, code))
    baghouse = export.baghouse.model_copy(update={"tag": tuple(tags)})
    return replace(export, baghouse=baghouse, samples=samples)


def recoded(value: Doubles, old: Unit, new: Unit) -> Doubles:
    """Return values of unit `old` in unit `new`, through the unit inside."""
    recoded_value: Doubles = (value * old.factor + old.offset - new.offset) / new.factor
    return recoded_value


def shifted(export: Export, days: int) -> Export:
    """Return the export with every time stamp moved by whole days."""
    step_us = days * 86_400_000_000
    samples = {
        name: replace(one, time_us=one.time_us + step_us) for name, one in export.samples.items()
    }
    return replace(export, day=export.day + timedelta(days=days), samples=samples)


def reordered(export: Export) -> Export:
    """Return the export with its tags listed the other way round."""
    baghouse = export.baghouse.model_copy(update={"tag": export.baghouse.tag[::-1]})
    samples = dict(reversed(list(export.samples.items())))
    return replace(export, baghouse=baghouse, samples=samples)


def with_values(export: Export, tag: str, change: Change) -> Export:
    """Return the export with a tag's values changed; `change` is given seconds and values."""
    one = export.samples[tag]
    time_s = (one.time_us - one.time_us[0]) / 1e6
    value = np.asarray(change(time_s, one.value), np.float64)
    return replace(export, samples={**export.samples, tag: replace(one, value=value)})
