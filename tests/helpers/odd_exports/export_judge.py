"""Takes drawn exports in, one by one, and says what of the promises of take-in was not kept.

A broken promise is one text, "kind: what happened"; the kind stays the same while a case is cut
down.
"""

from __future__ import annotations

import math
import re
import shutil
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
from helpers.exports import (
    NOW,
    START,
    STORE,
    long_csv,
    open_store,
    plan_little,
    plant_site,
    taken,
)
from helpers.odd_exports.export_case import CHANGED, HEAD, Case, Kept, Key

from rowcall.csv_text import to_csv
from rowcall.errors import RowcallError
from rowcall.store import Store
from rowcall.store.aside import aside_counts, aside_rows
from rowcall.store.ledger import days_touched
from rowcall.store.samples import read_samples
from rowcall.take_in import Outcome, TakenIn, take_in
from rowcall.take_in.load.entries import NO_NUMBER, SAME_INSTANT
from rowcall.take_in.load.memory import Memory

RAISED = "raised"
_REOPEN = 25  # cases that one open store serves; chosen: opening takes longer than the rest
_TRACES = re.compile(r"Traceback|Error\(|Exception|panick|object at 0x|\(b['\"]|<class")
_LITTLE = Memory(whole_bytes=0, block_bytes=8_000, slice_rows=50)  # chosen: many of each a file
_SMALL = Memory(block_bytes=3_000)  # held whole, but read in many blocks
_ALL_TIME = datetime(1900, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
_MIN_INSTANTS = 3  # chosen: at fewer, a line cut off may hide that its equipment comes again
_MOST = 0.75  # chosen: well above the share by which equipment is recognised
_LONGEST = 800  # characters of a message; chosen
# What a case adds to the store, which holds one file of one tag before it comes.
_ADDED = (
    ("samples", "tag_id > 0"),
    ("tags", "tag_id > 0"),
    *((table, "file_id > 1") for table in ("files", "file_tags", "file_days", "set_aside")),
)


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a case (stored, refused, raised), and the promises that were broken."""

    outcome: str
    wrong: tuple[str, ...] = ()
    message: str = ""

    @property
    def kinds(self) -> frozenset[str]:
        """The kinds of the broken promises."""
        return frozenset(text.split(":")[0] for text in self.wrong)


class Judge:
    """A store with a few samples, into which cases are taken; it is as before for each case."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._base = folder / "case", folder / "base"
        self._store: Store | None = None
        self._count = 0
        for made in (self._folder, self._base):
            shutil.rmtree(made, ignore_errors=True)
            made.mkdir(parents=True)
        rows = [("base", START + timedelta(seconds=n), float(n), "Good") for n in range(5)]
        open_store(self._base / STORE).close()
        taken(self._base, long_csv([*rows, ("base", START, 9.0, "?")]), "base.csv")

    def judge(self, case: Case) -> Judged:
        """Take a case in, as the only file after those that the store had."""
        store = self._opened()
        path = self._folder / case.name
        path.write_bytes(case.content())
        try:
            (result,) = take_in(
                store,
                plant_site(),
                [path],
                now=NOW,
                progress=lambda text: None,
                memory=_LITTLE if case.in_blocks else _SMALL,
            )
        except KeyboardInterrupt:
            raise
        except BaseException as error:  # also what no Exception is: a panic of an engine below
            self.close()
            return Judged(RAISED, (f"raised {type(error).__name__}: {str(error)[:300]}",))
        try:
            wrong = tuple(_broken(case, store, result))
            for table, where in _ADDED:
                store.connection.execute(f"DELETE FROM {table} WHERE {where}")
        except (duckdb.Error, RowcallError, ArithmeticError, LookupError, ValueError) as error:
            self.close()
            wrong = (f"unreadable store: {type(error).__name__} {error}",)
        return Judged(str(result.outcome), wrong, result.message)

    def close(self) -> None:
        """Let go of the store; the next case begins with a fresh one."""
        if self._store is not None:
            self._store.close()
            self._store = None

    def _opened(self) -> Store:
        self._count += 1
        if self._store is None or self._count % _REOPEN == 0:
            self.close()
            shutil.copy(self._base / STORE, self._folder / STORE)
            self._store = Store.open(self._folder / STORE)
            plan_little(self._store)
        return self._store


def _broken(case: Case, store: Store, result: TakenIn) -> Iterator[str]:
    query = "SELECT count(*), sum(value) FROM samples WHERE tag_id = 0"
    if store.connection.execute(query).fetchall() != [(5, 10.0)]:
        yield "earlier samples changed: of a tag that the export does not hold"
    samples, tags, *_, rows = added = [
        int(store.connection.execute(f"SELECT count(*) FROM {t} WHERE {w}").fetchall()[0][0])
        for t, w in _ADDED
    ]
    if result.outcome is Outcome.REFUSED:
        yield from _badly_said(case, result.message)
        if any(added):
            yield f"refused but touched: {added}"
        if not case.what:
            yield f"valid but refused: {result.message}"
        return
    note = result.note
    if result.outcome is not Outcome.STORED or note is None:
        yield f"outcome: {result.outcome}, {note}"
        return
    if note.rows_read != note.stored + note.replaced + note.unchanged + note.set_aside:
        yield f"accounts: {note}"
    if (samples, rows) != (note.stored, note.set_aside) or not tags:
        yield f"ledger: the store gained {samples} samples and {rows} rows set aside, but {note}"
    yield from _unreadable(store)
    damaged_head = any(
        role == CHANGED and piece.role == HEAD
        for role, piece in zip(case.roles(), case.pieces, strict=True)
    )
    if not case.loose and not damaged_head:
        yield from _wrong_samples(case, store)


def _badly_said(case: Case, message: str) -> Iterator[str]:
    if not message.startswith(case.name) or not message.endswith("."):
        yield f"message names no file or is no sentence: {message!r}"
    if _TRACES.search(message):
        yield f"message of the machine: {message!r}"
    if len(message) > _LONGEST:
        yield f"message too long: {len(message)} characters: {message[:200]!r}"
    if not message.isprintable():
        yield f"message unprintable: {message!r}"


def _unreadable(store: Store) -> Iterator[str]:
    """Read the store in all the ways that rowcall has."""
    names = [row[0] for row in store.connection.execute("SELECT name FROM tags").fetchall()]
    if any(name != name.strip() or not name for name in names):
        yield f"tag name: {names!r}"
    for name, one in read_samples(store, names, *_ALL_TIME).items():
        if (one.time_us[1:] <= one.time_us[:-1]).any():
            yield f"times do not rise: of tag {name!r}"
    to_csv(aside_rows(store).columns, aside_rows(store).iter_rows())
    aside_counts(store)
    days_touched(store)


def _wrong_samples(case: Case, store: Store) -> Iterator[str]:
    """Compare what is stored with what the lines hold that are as they were."""
    held, begins, roles = _held(store), case.begins(), case.roles()
    is_mixed = "concatenate" in case.what  # of two ways of writing in one file, one is set aside
    good = [place for place, role in enumerate(roles) if role != CHANGED]
    promised = {key: kept for place in good for key, kept in case.pieces[place].samples.items()}
    touched = {
        line
        for place, role in enumerate(roles)
        if role == CHANGED
        for line in range(begins[place], max(begins[place + 1], begins[place] + 1))
    }
    why = _set_aside(store) if case.delimiter else {}
    # What a changed line says about the same instant may have come after a good one.
    why = {
        line: reason
        for line, reason in why.items()
        if line not in touched and not (touched and reason == SAME_INSTANT)
    }
    line_of = {key: begins[place] for place in good for key in case.pieces[place].samples}
    repeated = _set_aside(store, SAME_INSTANT) if touched else {}
    for key, kept in promised.items():
        if _same(held.get(key), kept) or line_of[key] in repeated:
            continue
        if line_of[key] in why and is_mixed:  # what is held comes from the other export
            continue
        if key in held:
            yield f"stored wrong: {_told(key)} is {held[key]} instead of {kept}"
        elif line_of[key] not in why:
            yield f"lost: {_told(key)}, {kept} on line {line_of[key]}"
    last = case.pieces[-1]
    for key, kept in last.samples.items() if last.role == CHANGED and not is_mixed else ():
        if key in held and not _same(held[key], kept):
            yield f"stored cut off: {_told(key)} is {held[key]} instead of {kept}"
    excused = NO_NUMBER if case.by_equipment and not _shows_equipment(promised) else ""
    if not is_mixed:
        yield from (
            f"good line set aside, {reason}: line {line}"
            for line, reason in why.items()
            if reason != excused
        )
    invented = held.keys() - promised.keys()
    if invented and not touched:
        yield f"invented: {_told(min(invented))} and {len(invented) - 1} more"


def _shows_equipment(promised: Collection[Key]) -> bool:
    """Return whether what damage left shows several pieces of equipment at most of some instants.

    Where it does not, nothing says that the names in their column are no values of a tag.
    """
    pieces = {(instant, tag.partition(".")[0]) for tag, instant in promised}
    each = Counter(instant for instant, _ in pieces)
    n_several = sum(n > 1 for n in each.values())
    return len(each) >= _MIN_INSTANTS and n_several >= _MOST * len(each)


def _set_aside(store: Store, only: str = "") -> dict[int, str]:
    """Return the lines of the case that were set aside, each with a reason."""
    query = "SELECT line, reason FROM set_aside WHERE file_id > 1 ORDER BY line"
    rows = store.connection.execute(query).fetchall()
    return {int(line): str(reason) for line, reason in rows if reason == only or not only}


def _held(store: Store) -> dict[Key, Kept]:
    query = (
        "SELECT name, epoch_us(time), value, quality FROM samples JOIN tags USING (tag_id) "
        "WHERE tag_id > 0"
    )
    rows = store.connection.execute(query).fetchall()
    return {(str(name), int(us)): (float(value), int(code)) for name, us, value, code in rows}


def _same(one: Kept | None, other: Kept) -> bool:
    if one is None or one[1] != other[1]:
        return False
    return one[0] == other[0] or (math.isnan(one[0]) and math.isnan(other[0]))


def _told(key: Key) -> str:
    time = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=key[1])
    return f"{key[0][:40]!r} at {time:%Y-%m-%d %H:%M:%S}"
