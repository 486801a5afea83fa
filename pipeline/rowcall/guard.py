"""The parts of a day's work, each on its own: one that fails costs itself, not the rest."""

from __future__ import annotations

import hashlib
import logging
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

from polars.exceptions import PanicException

import rowcall
from rowcall.errors import RowcallError, WorkerLostError
from rowcall.store.trouble import is_disk_failure, is_interruption

Result = TypeVar("Result")
_LOG = logging.getLogger(__name__)

# Parts; others: `rule X`, `picture X`, `chapter X`, `table X`.
WHOLE_DAY, STUDY, PICTURES = "day", "study", "pictures"
_NOT_DONE = {
    "picture": "drawn",
    PICTURES: "drawn",
    "chapter": "written",
    "table": "written",
    "report": "prepared",
    "index": "written",
    WHOLE_DAY: "reported",
}


@dataclass(frozen=True, slots=True)
class Failure:
    """A part of a day's work that failed by an error of rowcall.

    Attributes:
        baghouse: its id; empty where the part is of the whole day.
        reference: the same wherever rowcall fails at the same place in the same way.
        is_lost: its process was lost; with more memory free it may come out another time.
    """

    day: date
    baghouse: str
    part: str
    reference: str
    is_lost: bool = False

    @property
    def why(self) -> str:
        """The reason for the reader of a report, as the end of a sentence."""
        return f"an error of rowcall, reference {self.reference}"

    @property
    def text(self) -> str:
        """What failed, in a sentence without the day."""
        where = ", ".join(filter(None, (self.baghouse, self.part)))
        done = _NOT_DONE.get(self.part.split()[0], "judged")
        return f"{where}: could not be {done}: {self.why}."


@dataclass(slots=True)
class Guard:
    """Does the parts of one day's work and collects those that fail.

    Attributes:
        isolates: False lets every failure through, as tests want it.
    """

    day: date = date.min
    isolates: bool = False
    failures: list[Failure] = field(default_factory=list)

    def run(
        self,
        baghouse: str,
        part: str,
        make: Callable[[], Result],
        otherwise: Callable[[str], Result],
    ) -> Result:
        """Return what `make` does or, where it fails unexpectedly, `otherwise` of the reason.

        The traceback goes to the log as one block. A panic of polars is no `Exception`.
        """
        try:
            return make()
        except (Exception, PanicException) as error:
            has_meaning = isinstance(error, (RowcallError, OSError)) or is_disk_failure(error)
            if not self.isolates or has_meaning or is_interruption(error):
                raise  # it ends the run, with a sentence of its own
            failure = Failure(
                self.day, baghouse, part, _reference(error), isinstance(error, WorkerLostError)
            )
            if self.add([failure]):
                _LOG.error("%s, %s", self.day.isoformat(), failure.text, exc_info=error)
            return otherwise(failure.why)

    def add(self, failures: Iterable[Failure]) -> list[Failure]:
        """Collect what failed, and return what is new: pictures and chapters are prepared alike."""
        new = [failure for failure in failures if failure not in self.failures]
        self.failures += new
        return new


UNGUARDED = Guard()


def _reference(error: BaseException) -> str:
    """Hash exception type, the innermost line of rowcall and its version: 8 hex digits."""
    frames = traceback.walk_tb(error.__traceback__)
    lines = [(str(frame.f_globals.get("__name__")), number) for frame, number in frames]
    own = [line for line in lines if line[0].partition(".")[0].startswith("rowcall")]
    key = f"{type(error).__qualname__} {own[-1]} {rowcall.__version__}"
    return hashlib.sha256(key.encode()).hexdigest()[:8]
