"""What can go wrong, sorted by what the person at the keyboard has to do about it."""

from __future__ import annotations


class RowcallError(Exception):
    """A failure that rowcall expected; its message is a plain sentence with place and remedy."""


class SiteError(RowcallError):
    """The site file (or a `--set` setting) has to be corrected."""


class ExportError(RowcallError):
    """An export could not be taken in: the file, or the site file on it, must change."""


class StoreError(RowcallError):
    """The store cannot be opened, is from another version, or is locked by another process."""


class BusyError(RowcallError):
    """Another rowcall run holds the site; try again when it has ended."""


class CutShortError(RowcallError):
    """A run had to stop, but what it had done until then is kept; the next run goes on from there.

    Attributes:
        done: what it had done (a `RunResult`).
    """

    def __init__(self, message: str, done: object) -> None:
        super().__init__(message)
        self.done = done


def told(error: OSError) -> str:
    """Say in a plain sentence what went wrong with a file, where nobody nearer has said it."""
    return (
        f"{error.filename or 'a file'}: it cannot be read or written ({error.strerror or error}); "
        "check that it is there, that this account may do so, and that the disk has room."
    )


class MailError(RowcallError):
    """A report could not be mailed; it stays on disk and the next run tries again."""
