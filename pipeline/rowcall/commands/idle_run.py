"""Nightly runs of which nothing can come, seen without reading the site file or opening the store.

A run that found nothing new and owes nobody a mail keeps beside the site file what it looked at
(sizes and times of change) and what it said. While all of that is the same, on the same
plant-local day and by the same version, the next run says it again: in a tenth of a second instead
of half of one, for jobs that run every few minutes. Whatever differs or cannot be read lets a run
be made.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

import rowcall


@dataclass(frozen=True, slots=True)
class IdleRun:
    """What a run looked at and said that had nothing to do.

    Attributes:
        version: of rowcall.
        begun, end: [s since 1970] the run's instant, and the end of its plant-local day.
        files: states of single files and folders.
        inbox, inbox_state: the inbox, and one state of all that is in it.
        notices: what it said besides.
        log: file, greatest size [bytes] and number of old files of the log, where there is one.
    """

    version: str
    begun: float
    end: float
    files: dict[str, str]
    inbox: str
    inbox_state: str
    notices: list[str]
    log: tuple[str, int, int] | None

    def still_holds(self, now: datetime) -> bool:
        """Return whether a run now would find all as it was."""
        return (
            self.version == rowcall.__version__
            and self.begun <= now.timestamp() < self.end
            and states(map(Path, self.files)) == self.files
            and folder_state(Path(self.inbox)) == self.inbox_state
        )


def last_idle(site_file: Path, now: datetime) -> IdleRun | None:
    """Return the last run where it was idle and this one would be too; else forget it."""
    kept = _kept(site_file)
    with suppress(OSError, ValueError, TypeError):
        idle = IdleRun(**json.loads(kept.read_bytes()))
        if str(site_file.absolute()) in idle.files and idle.still_holds(now):
            return idle
    with suppress(OSError):
        kept.unlink(missing_ok=True)
    return None


def keep_idle(site_file: Path, idle: IdleRun) -> None:
    """Keep a run for the next one; where that cannot be written, the next one is made in full."""
    kept = _kept(site_file)
    part = kept.with_name(kept.name + ".part")
    with suppress(OSError):
        part.write_text(json.dumps(asdict(idle)), encoding="utf-8")
        part.replace(kept)


def states(paths: Iterable[Path]) -> dict[str, str]:
    """Return the states of files and folders by their absolute paths."""
    return {str(path.absolute()): _state(path) for path in paths}


def folder_state(folder: Path) -> str:
    """Return one state of all files and folders below a folder."""
    digest = hashlib.sha256()
    for path in _below(folder):
        digest.update(os.fsencode(path) + _state(path).encode())
    return digest.hexdigest()


def _below(folder: Path) -> Iterator[str]:
    yield str(folder)
    for at, folders, files in os.walk(folder):  # of thousands, paths as text take half the time
        folders.sort()
        yield from (f"{at}{os.sep}{name}" for name in sorted([*folders, *files]))


def _state(path: Path | str) -> str:
    try:
        stat = os.stat(path)  # noqa: PTH116
    except OSError:
        return ""
    return f"{stat.st_mode}-{stat.st_ino}-{stat.st_size}-{stat.st_mtime_ns}"


def _kept(site_file: Path) -> Path:
    return site_file.with_name(f".{site_file.name}.idle")
