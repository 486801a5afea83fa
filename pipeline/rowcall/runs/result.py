"""What a run did, reported also where it had to stop half-way."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from rowcall.errors import CutShortError, RowcallError, file_problem

Progress = Callable[[str], None]


@dataclass(slots=True)
class RunResult:
    """What a run did: the files it took in, the reports it wrote, and what went short.

    Attributes:
        stored: how many exports were taken in.
        judged: how many days were judged; of the newest one, `to_do` counts by urgency what its
            report says is to be done.
        range_report: the page on all days of a rerun.
        notices: what the night must say besides its reports, and what to do.
        unusable: tags and days that the reports say cannot be used, files that wait.
        failed, not_mailed: what rowcall itself failed at, and what someone still lacks.
        is_idle: nothing was new, and nothing is to be tried again.
    """

    stored: int = 0
    judged: int = 0
    newest: date | None = None
    to_do: Mapping[str, int] = field(default_factory=dict)
    reports: list[Path] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    unusable: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    not_mailed: list[str] = field(default_factory=list)
    range_report: Path | None = None
    is_idle: bool = False


@contextmanager
def reporting_what_was_done(result: RunResult) -> Iterator[None]:
    """Let a failure say what the run had done before, where it had done anything.

    Raises:
        CutShortError: a `RowcallError` or `OSError` (its cause) left the block after something
            was done.
    """
    try:
        yield
    except (RowcallError, OSError) as error:
        if not result.stored and not result.reports:
            raise
        message = file_problem(error) if isinstance(error, OSError) else str(error)
        raise CutShortError(message, result) from error
