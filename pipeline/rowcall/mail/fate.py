"""What becomes of a mail: its states, the ledger that keeps them, and how it is named."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Protocol

SENDING, SENT, REFUSED, UNKNOWN = "sending", "sent", "refused", "unknown"


class Outbox(Protocol):
    """Where it is kept which recipient has which revision of which day (see `name_of`)."""

    def state(self, day: date, revision: int, recipient: str) -> str | None:
        """Return sending, sent, refused or unknown, or None when nothing was tried."""

    def set_state(self, day: date, revision: int, recipient: str, state: str) -> None:
        """Keep a state, for good before returning."""


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
