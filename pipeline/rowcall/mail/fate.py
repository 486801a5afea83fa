"""What becomes of a mail: its states, when it is tried again, the ledger, and how it is named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Protocol

SENDING, SENT, REFUSED, UNKNOWN = "sending", "sent", "refused", "unknown"
WAITING = "waiting"  # the server could not be used: nobody's mail was looked at
HELD, UNWANTED = "held", "unwanted"  # for the next digest; a day of which the reader wants nothing
FAILED = (REFUSED, WAITING)

# Days from each refusal to the next try; chosen: greylisting is over by the next run, a full
# mailbox within days, and a server that refuses again and again should not be asked each night.
_GAPS = (0, 1, 2, 4, 7)
_GIVEN_UP = timedelta(days=14)  # since the first failure: the sum of the gaps
_EARLIER = timedelta(hours=12)  # by which a run may begin earlier than those of the nights before


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a mail to one recipient, as of the instant `changed`.

    Attributes:
        n_failed: how often it failed; `first_failed` is when it did so first.
        said: the server's words, or why it could not be used.
    """

    state: str
    changed: datetime
    n_failed: int = 0
    first_failed: datetime | None = None
    said: str = ""

    @property
    def is_given_up(self) -> bool:
        """Whether it failed for so long that it is not tried again by itself."""
        begun = self.first_failed or self.changed
        return self.state in FAILED and self.changed - begun >= _GIVEN_UP - _EARLIER

    @property
    def next_try(self) -> datetime:
        """The instant of the next try; a server that could not be used is tried by every run."""
        gap = _GAPS[min(self.n_failed, len(_GAPS)) - 1] if self.state == REFUSED else 0
        return self.changed + timedelta(days=gap)

    def is_due(self, now: datetime) -> bool:
        """Whether a mail that failed is tried again by a run at an instant."""
        return now >= max(self.next_try - _EARLIER, self.changed) and not self.is_given_up

    def failed(self, state: str, said: str, now: datetime) -> Fate:
        """Return the fate after one more failure."""
        begun = self.first_failed if self.state in FAILED else None
        n_failed = self.n_failed + 1 if begun else 1
        return Fate(state, now, n_failed, begun or now, said)


class Outbox(Protocol):
    """Where it is kept which recipient has which revision of which day (see `name_of`)."""

    def fate(self, day: date, revision: int, recipient: str) -> Fate | None:
        """Return what became of a mail, None where nothing was tried."""

    def set_state(self, day: date, revision: int, recipient: str, state: str) -> None:
        """Keep a state, for good before returning."""

    def set_failed(self, day: date, revision: int, recipient: str, state: str, said: str) -> None:
        """Keep one more failure, and why."""


def name_of(day: date, revision: int) -> str:
    """Return what a mail is, in a sentence; revision 0 holds the notices of a night alone."""
    return f"{'report' if revision else 'notice'} of {day}"


def fate_unknown(what: str, recipients: Sequence[str]) -> str:
    """Say of a mail that nobody knows whether it arrived."""
    return (
        f"Whether the {what} reached {', '.join(recipients)} is not known: the hand-over was "
        "broken off after the mail had left. It is not sent again by itself; ask there, or "
        "forward the report from its folder."
    )


def given_up(what: str, recipient: str, said: str) -> str:
    """Say of a mail that it is not tried again by itself."""
    return (
        f"The {what} could not be mailed to {recipient} in {_GIVEN_UP.days} days and is given up "
        f'({said}). Put right what is said there, then "rowcall mail" tries it once more.'
    )
