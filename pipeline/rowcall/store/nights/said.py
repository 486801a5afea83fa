"""What people were sent and what nights said: the mails and the notices in the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple
from datetime import UTC, date, datetime

from rowcall.mail.fate import FAILED, HELD, SENDING, UNKNOWN, Fate, given_up, name_of
from rowcall.mail.notice import Notice
from rowcall.store.connection import Store
from rowcall.store.samples import naive_utc


class StoreOutbox:
    """The mail ledger (`mail.Outbox`): one line a day, revision and recipient."""

    def __init__(self, store: Store, now: datetime) -> None:
        self._store, self.now = store, now

    def fate(self, day: date, revision: int, recipient: str) -> Fate | None:
        """Return what became of the mail to a recipient, None when nothing was tried."""
        where = "day = ? AND revision = ? AND recipient = ?"
        fates = _fates(self._store, where, day, revision, recipient)
        return next((fate for *_, fate in fates), None)

    def days_open(self) -> set[date]:
        """Return the days of which a mail failed, or waits for a digest."""
        return {day for day, *_ in _fates(self._store, "state IN (?, ?, ?)", *FAILED, HELD)}

    def set_state(self, day: date, revision: int, recipient: str, state: str) -> None:
        """Keep a state; it is on disk when this returns."""
        self._keep(day, revision, recipient, Fate(state, self.now))

    def set_failed(self, day: date, revision: int, recipient: str, state: str, said: str) -> None:
        """Keep one more failure, and why; it is on disk when this returns."""
        before = self.fate(day, revision, recipient) or Fate(state, self.now)
        self._keep(day, revision, recipient, before.failed(state, said, self.now))

    def _keep(self, day: date, revision: int, recipient: str, fate: Fate) -> None:
        key = [day, revision, recipient]
        begun = fate.first_failed and naive_utc(fate.first_failed)
        with self._store.keeping(f"what became of the mail about {day}"):
            self._store.connection.execute(
                "DELETE FROM mails WHERE day = ? AND revision = ? AND recipient = ?", key
            )
            self._store.connection.execute(
                "INSERT INTO mails VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [*key, fate.state, naive_utc(fate.changed), fate.n_failed, begun, fate.said],
            )


def _fates(store: Store, where: str, *values: object) -> Iterator[tuple[date, int, str, Fate]]:
    """Yield day, revision, recipient and fate of the mails that a condition holds for."""
    rows = store.connection.execute(
        "SELECT day, revision, recipient, state, changed_at, n_failed, first_failed_at, said "
        f"FROM mails WHERE {where} ORDER BY day, revision, recipient",
        list(values),
    ).fetchall()
    for day, revision, recipient, state, changed, n_failed, begun, said in rows:
        fate = Fate(state, _utc(changed), n_failed, begun and _utc(begun), said)
        yield day, revision, recipient, fate


def _utc(naive: datetime) -> datetime:
    return naive.replace(tzinfo=UTC)


def mails_unsure(store: Store, since: datetime) -> dict[str, list[str]]:
    """Return whom each mail since an instant may have reached or not, by what it was."""
    where = "state IN (?, ?) AND changed_at >= ?"
    out: dict[str, list[str]] = {}
    for day, revision, recipient, _ in _fates(store, where, SENDING, UNKNOWN, naive_utc(since)):
        out.setdefault(name_of(day, revision), []).append(recipient)
    return out


def mails_failed(store: Store, since: datetime) -> list[tuple[date, int, str, Fate]]:
    """Return day, revision, recipient and fate of the mails that failed since an instant."""
    where = "state IN (?, ?) AND changed_at >= ?"
    return list(_fates(store, where, *FAILED, naive_utc(since)))


def mails_given_up(store: Store, since: datetime) -> list[str]:
    """Return a sentence on each mail that was given up since an instant."""
    return [
        given_up(name_of(day, revision), recipient, fate.said)
        for day, revision, recipient, fate in mails_failed(store, since)
        if fate.is_given_up
    ]


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
