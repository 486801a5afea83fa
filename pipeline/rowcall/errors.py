"""What can go wrong, sorted by what the person at the keyboard has to do about it."""

from __future__ import annotations


class RowcallError(Exception):
    """A failure that rowcall expected; its message is a plain sentence with place and remedy."""


class SiteError(RowcallError):
    """The site file (or a `--set` setting) has to be corrected."""


class ExportError(RowcallError):
    """An export could not be taken in: the file, or the site file on it, must change.

    Exports hold any signs, and their names and cells stand in the message; it is made printable.
    """

    def __init__(self, message: str) -> None:
        super().__init__(printable(message))


def printable(text: str) -> str:
    """Return a text with the signs that steer a screen, or print nothing, written as escapes."""
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else _escaped(sign) for sign in text)


def _escaped(sign: str) -> str:
    """Return the escape that TOML, JSON and Python share for a sign."""
    return f"\\u{ord(sign):04x}" if ord(sign) < 0x10000 else f"\\U{ord(sign):08x}"


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
