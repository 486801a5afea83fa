"""A task done in another process, and what it logged there."""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from typing import Any, NamedTuple

from rowcall.errors import traced


class RefusedError(BrokenExecutor):
    """Those who do tasks cannot be used any more; the message says why."""


class Logged(NamedTuple):
    """What a task returned, and what it logged meanwhile."""

    value: Any
    records: list[logging.LogRecord]


def logged(do: Callable[..., Any], *given: Any) -> Logged:
    """Do a task in a worker process, which has no log of its own."""
    kept, root = _Kept(), logging.getLogger()
    root.addHandler(kept)
    try:
        return Logged(do(*given), kept.records)
    finally:
        root.removeHandler(kept)


class _Kept(logging.Handler):
    """Keeps what is logged, in a form that can be sent to another process."""

    def __init__(self) -> None:
        super().__init__()
        self.records = list[logging.LogRecord]()

    def emit(self, record: logging.LogRecord) -> None:
        record.msg, record.args = record.getMessage(), None
        if record.exc_info and record.exc_info[1]:
            record.exc_text = "\n".join(traced(record.exc_info[1]))
        record.exc_info = None
        self.records.append(record)
