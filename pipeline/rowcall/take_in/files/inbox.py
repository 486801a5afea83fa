"""Finding export files in a folder, and telling finished ones from those still being written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path, PurePath

from rowcall.errors import ExportError

# Whatever writes or copies an export touches it more often than this while at work; chosen.
SETTLE_S = 5.0

_TEXT = (".csv", ".txt", ".tsv")
SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods")  # never read, but named
_PACKED = (".gz", ".zst")
ENDINGS = (
    *_TEXT,
    *(ending + packed for ending in _TEXT for packed in _PACKED),
    ".parquet",
    ".pq",
    ".zip",
    *SPREADSHEETS,
)
PARTIAL = (".part", ".partial", ".tmp", ".crdownload", ".filepart")


def find_exports(folder: Path, patterns: Sequence[str] = ()) -> list[Path]:
    """Return the export files in `folder` and the folders in it, sorted by folder and name.

    Hidden files and folders, files under a name that copying programs use for unfinished ones,
    and other endings than csv, txt, tsv (also with gz or zst), parquet, pq and zip are left out,
    but for spreadsheets, which are refused by name.
    A folder that does not exist holds none.

    Args:
        folder: the inbox.
        patterns: glob patterns within `folder`, `2026/*.csv` or `**/*.parquet`; only files that
            fit one of them are returned. Without any, every export is.
    """
    if not folder.is_dir():
        return []
    within: dict[Path, tuple[str, ...]] = {}
    for pattern in patterns or ("**/*",):
        within.update(_matching(folder, pattern))
    return sorted(within, key=lambda path: within[path])


def exports_at(path: Path) -> list[Path]:
    """Return the export files that a person means: a file, those of a folder, or of a pattern.

    A file that is there is returned whatever its name, and so is one that is not, for its reader
    to say so. A pattern is one that the shell has left as it is.

    Raises:
        ExportError: the folder holds no export, or none fits the pattern.
    """
    wild = [place for place, part in enumerate(path.parts) if any(sign in part for sign in "*?[")]
    if path.is_file() or not (path.is_dir() or wild):
        return [path]
    if path.is_dir():
        found = find_exports(path)
    else:
        folder = Path(*path.parts[: wild[0]])
        found = find_exports(folder, ["/".join(path.parts[wild[0] :])])
    if not found:
        raise ExportError(
            f"{path}: there is no export here; its name must end in csv, parquet, ..."
        )
    return found


def name_within(folder: Path, path: Path) -> str:
    """Return the name of a file for messages and the ledger: its path where it is in `folder`.

    Bytes of a name that are no UTF-8 are written as escapes, which every file and store can hold.
    """
    depth = len(folder.parts)  # asked of each file every night; `relative_to` takes longer
    is_within = path.parts[:depth] == folder.parts
    within = "/".join(path.parts[depth:]) if is_within else path.name
    return within.encode(errors="backslashreplace").decode()


def no_spreadsheet(file: str) -> str:
    """Return that a file is a spreadsheet, and what to do."""
    return f"{file}: this is a spreadsheet, which is not read; save it as CSV."


def leads_out(folder: Path, path: Path) -> bool:
    """True where a path within `folder` is, or goes through, a link to another place."""
    return path.is_relative_to(folder) and not path.resolve().is_relative_to(folder.resolve())


def is_parquet(path: PurePath) -> bool:
    """True where the name says Parquet; everything else is read as text."""
    return path.suffix.lower() in (".parquet", ".pq")


def is_export(path: PurePath) -> bool:
    """True where the name, and that of each folder on the way, is one of a finished export."""
    return _is_export(path.parts)


def _is_export(parts: Sequence[str]) -> bool:
    name = parts[-1].lower() if parts else ""
    if any(part.startswith((".", "~", "__")) for part in parts):
        return False
    return name.endswith(ENDINGS) and not any(ending in name for ending in PARTIAL)


def is_settled(path: Path, now: datetime, settle_s: float) -> bool:
    """True where the file was last written at least `settle_s` seconds before `now`.

    A time of writing after `now` (clocks of two machines apart) counts as settled only when it
    is further ahead than `settle_s`: such a file would otherwise wait for ever.
    """
    age_s = now.timestamp() - path.stat().st_mtime
    return abs(age_s) >= settle_s


def _matching(folder: Path, pattern: str) -> Iterable[tuple[Path, tuple[str, ...]]]:
    """Return the exports that fit a pattern, with the parts of their paths within the folder."""
    depth = len(folder.parts)
    return (
        (path, within)
        for path in folder.glob(pattern)
        if _is_export(within := path.parts[depth:]) and path.is_file()
    )
