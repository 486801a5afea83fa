"""What can go wrong, by what the person who runs rowcall has to do about it."""

from __future__ import annotations

import traceback
from collections.abc import Iterator


class RowcallError(Exception):
    """A failure that rowcall expected; its message says where and what to do."""


class SiteError(RowcallError):
    """The site file (or a `--set` setting) has to be corrected."""


class ExportError(RowcallError):
    """An export could not be taken in: the file, or the site file on it, must change.

    Names and cells of exports may hold any character and stand in the message: it is made
    printable.
    """

    def __init__(self, message: str) -> None:
        super().__init__(printable(message))


def printable(text: str) -> str:
    """Return a text with control characters and others that print nothing written as escapes."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else _escaped(char) for char in text)


def _escaped(char: str) -> str:
    """Return the escape that TOML, JSON and Python share for a character."""
    return f"\\u{ord(char):04x}" if ord(char) < 0x10000 else f"\\U{ord(char):08x}"


def traced(error: BaseException) -> Iterator[str]:
    """Yield the lines of a traceback; what the error itself says is one of them."""
    for chunk in traceback.format_exception(error):
        text = chunk.strip("\n")
        lines = text.splitlines() if text.startswith("  File ") else [text]
        yield from map(printable, lines)


class StoreError(RowcallError):
    """The store cannot be opened, is from another version, or is locked by another process."""


class BusyError(RowcallError):
    """Another rowcall run is at work on this site; try again when it has ended."""


class CutShortError(RowcallError):
    """A run had to stop; what was done until then stays, and the next run goes on from there.

    Attributes:
        done: what was done until then (a `RunResult`).
    """

    def __init__(self, message: str, done: object) -> None:
        super().__init__(message)
        self.done = done


class WorkerLostError(Exception):
    """The process that did a task was killed, or ran out of memory, twice."""


def file_problem(error: OSError) -> str:
    """Return what went wrong with a file and what to do, for an error without such a message."""
    return (
        f"{error.filename or 'a file'}: it cannot be read or written ({error.strerror or error}); "
        "check that it is there, that this account may do so, and that the disk has room."
    )


class MailError(RowcallError):
    """A report could not be mailed; it stays on disk and the next run tries again."""
