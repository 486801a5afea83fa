"""What a study finds, found once for all test processes of a run: many study the same day."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from datetime import date, datetime
from hashlib import sha256
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any, TypeVar

import polars as pl

from rowcall.condition.gate import Conditioned
from rowcall.events.find import Events, Signals, find_events
from rowcall.model import BaghouseDay
from rowcall.runs import study
from rowcall.runs.study import Find, Kept
from rowcall.site import Baghouse

T = TypeVar("T")
Study = Callable[
    [Baghouse, tuple[datetime, datetime], Kept, Find], tuple[Conditioned, pl.DataFrame, Events]
]


def finding_once(folder: Path) -> Study:
    """Return the step of a study that finds events, which reads from `folder` what was found.

    The whole content of what events are found from is the key, and every call gets objects of its
    own. Whoever finds in a way of their own finds each time.
    """
    ask = study._events  # before it is replaced

    def find(baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float) -> Events:
        asked = (baghouse, signals, minutes, seconds)
        return _once(folder, asked, lambda: find_events(*asked))

    def study_events(
        baghouse: Baghouse, span: tuple[datetime, datetime], kept: Kept, how: Find
    ) -> tuple[Conditioned, pl.DataFrame, Events]:
        return ask(baghouse, span, kept, find if how is find_events else how)

    return study_events


def studying_once(folder: Path) -> Callable[..., tuple[BaghouseDay, Events]]:
    """Return `study_span`, which reads from `folder` what was found of the same samples before."""
    ask = study.study_span  # before it is replaced

    def find(*asked: Any) -> Events:  # in a way of its own: what is kept is the whole study
        return find_events(*asked)

    def study_span(
        baghouse: Baghouse, day: date, span: tuple[datetime, datetime], kept: Kept
    ) -> tuple[BaghouseDay, Events]:
        asked = baghouse, day, span, kept
        return _once(folder, asked, lambda: ask(*asked, find))

    return study_span


def _once(folder: Path, asked: object, make: Callable[[], T]) -> T:
    known = folder / sha256(pickle.dumps(asked, protocol=5)).hexdigest()
    if known.exists():
        found: T = pickle.loads(known.read_bytes())
        return found
    made = make()
    with NamedTemporaryFile(dir=folder, delete=False) as file:
        pickle.dump(made, file, protocol=5)
    Path(file.name).rename(known)
    return made
