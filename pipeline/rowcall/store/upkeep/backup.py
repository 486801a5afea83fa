"""A copy of a store that is whole: under its name only once it is complete and on the disk."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path

from rowcall.errors import RowcallError
from rowcall.store.connection import Store


def back_up(store: Path, to: Path) -> None:
    """Copy a store that no other process has open.

    Args:
        store: brought up to date and written out first, so that the copy is one file.
        to: a new file.

    Raises:
        RowcallError: there already, or it cannot be written; nothing is left of it.
        StoreError: the store cannot be opened.
    """
    if to.exists():
        raise RowcallError(f"{to} is already there and is not overwritten; name another file.")
    if not store.exists():
        raise RowcallError(f"{store}: there is no store here yet; nothing was copied.")
    with Store.open(store) as opened:
        opened.connection.execute("CHECKPOINT")
    made = to.with_name(to.name + ".part")
    try:
        shutil.copyfile(store, made)
        with made.open("rb+") as copy:
            os.fsync(copy.fileno())
        made.rename(to)
    except OSError as error:
        with suppress(OSError):
            made.unlink(missing_ok=True)
        raise RowcallError(
            f"{to}: the copy cannot be written ({error.strerror or error}); check that its folder "
            "is there and that the disk has room."
        ) from error
