"""Events found once for all test processes of a run: many tests study the same day."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from tempfile import NamedTemporaryFile

import polars as pl

from rowcall.condition.gate import Conditioned
from rowcall.events.find import Events, Signals, find_events
from rowcall.runs import study
from rowcall.runs.study import Find, Read
from rowcall.site import Baghouse

Study = Callable[
    [Baghouse, tuple[datetime, datetime], Read, Find], tuple[Conditioned, pl.DataFrame, Events]
]


def finding_once(folder: Path) -> Study:
    """Return the step of a study that finds events, which reads from `folder` what was found.

    The whole content of what events are found from is the key, and every call gets objects of its
    own. Whoever finds in a way of their own finds each time.
    """
    ask = study._events  # before it is replaced

    def find(baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float) -> Events:
        asked = pickle.dumps((baghouse, signals, minutes, seconds), protocol=5)
        known = folder / sha256(asked).hexdigest()
        if known.exists():
            events: Events = pickle.loads(known.read_bytes())
            return events
        events = find_events(baghouse, signals, minutes, seconds)
        with NamedTemporaryFile(dir=folder, delete=False) as file:
            pickle.dump(events, file, protocol=5)
        Path(file.name).rename(known)
        return events

    def study_events(
        baghouse: Baghouse, span: tuple[datetime, datetime], read: Read, how: Find
    ) -> tuple[Conditioned, pl.DataFrame, Events]:
        return ask(baghouse, span, read, find if how is find_events else how)

    return study_events
