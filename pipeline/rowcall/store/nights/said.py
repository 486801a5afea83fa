"""What people were sent and what nights said: the mails and the notices in the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple
from datetime import date, datetime

from rowcall.mail.fate import SENDING, UNKNOWN, name_of
from rowcall.mail.notice import Notice
from rowcall.store.connection import Store
from rowcall.store.samples import naive_utc


class StoreOutbox:
    """The mail ledger (`mail.Outbox`): one line a day, revision and recipient."""

    def __init__(self, store: Store, now: datetime) -> None:
        self._store = store
        self._now = naive_utc(now)

    def state(self, day: date, revision: int, recipient: str) -> str | None:
        """Return what became of the mail to a recipient, None when nothing was tried."""
        rows = self._store.connection.execute(
            "SELECT state FROM mails WHERE day = ? AND revision = ? AND recipient = ?",
            [day, revision, recipient],
        ).fetchall()
        return str(rows[0][0]) if rows else None

    def set_state(self, day: date, revision: int, recipient: str, state: str) -> None:
        """Keep a state; it is on disk when this returns."""
        key = [day, revision, recipient]
        with self._store.keeping(f"what became of the mail about {day}"):
            self._store.connection.execute(
                "DELETE FROM mails WHERE day = ? AND revision = ? AND recipient = ?", key
            )
            self._store.connection.execute(
                "INSERT INTO mails VALUES (?, ?, ?, ?, ?)", [*key, state, self._now]
            )


def mails_unsure(store: Store, since: datetime) -> dict[str, list[str]]:
    """Return whom each mail since an instant may have reached or not, by what it was."""
    rows = store.connection.execute(
        "SELECT day, revision, recipient FROM mails WHERE state IN (?, ?) AND changed_at >= ? "
        "ORDER BY ALL",
        [SENDING, UNKNOWN, naive_utc(since)],
    ).fetchall()
    out: dict[str, list[str]] = {}
    for day, revision, recipient in rows:
        out.setdefault(name_of(day, revision), []).append(str(recipient))
    return out


def read_notices(store: Store) -> dict[str, Notice]:
    """Return the notices of the nights before, by their keys."""
    rows = store.connection.execute("SELECT * FROM notices").fetchall()
    return {notice.key: notice for notice in (Notice(*row) for row in rows)}


def save_notices(store: Store, notices: Sequence[Notice]) -> None:
    """Replace the notices that are kept, where they differ."""
    if set(notices) == set(read_notices(store).values()):
        return  # an idle night writes nothing
    with store.keeping("what this night said"):
        store.connection.execute("DELETE FROM notices")
        for notice in notices:
            store.connection.execute(
                "INSERT INTO notices VALUES (?, ?, ?, ?, ?, ?, ?)", list(astuple(notice))
            )
