"""Finding export files in a folder, and telling finished ones from those still being written."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

# Whatever writes or copies an export touches it more often than this while at work; chosen.
SETTLE_S = 5.0

_TEXT = (".csv", ".txt", ".tsv")
_ENDINGS = (*_TEXT, *(f"{ending}.gz" for ending in _TEXT), ".parquet", ".pq")
_PARTIAL = (".part", ".partial", ".tmp", ".crdownload", ".filepart")


def find_exports(folder: Path) -> list[Path]:
    """Return the export files directly in `folder`, sorted by name.

    Hidden files, files under a name that copying programs use for unfinished ones, and other
    endings than csv, txt, tsv (also with gz), parquet and pq are left out. A folder that does
    not exist holds none.
    """
    if not folder.is_dir():
        return []
    return sorted(
        (path for path in folder.iterdir() if _is_export(path.name.lower()) and path.is_file()),
        key=lambda path: path.name,
    )


def is_parquet(path: Path) -> bool:
    """True where the name says Parquet; everything else is read as text."""
    return path.suffix.lower() in (".parquet", ".pq")


def is_settled(path: Path, now: datetime, settle_s: float) -> bool:
    """True where the file was last written at least `settle_s` seconds before `now`.

    A time of writing after `now` (clocks of two machines apart) counts as settled only when it
    is further ahead than `settle_s`: such a file would otherwise wait for ever.
    """
    age_s = now.timestamp() - path.stat().st_mtime
    return abs(age_s) >= settle_s


def _is_export(name: str) -> bool:
    if name.startswith((".", "~")) or any(ending in name for ending in _PARTIAL):
        return False
    return name.endswith(_ENDINGS)
