"""Writing a day's report to disk: all of it or nothing."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

from rowcall.day_report import DayReport
from rowcall.errors import RowcallError
from rowcall.guard import UNGUARDED, Guard
from rowcall.mail.day_mail import DAY_MAIL, to_json
from rowcall_reports.day_mails import day_mails
from rowcall_reports.figures.picture import Picture
from rowcall_reports.html import to_page
from rowcall_reports.markdown import write_pages
from rowcall_reports.page_links import INDEX_FILE
from rowcall_reports.tables.day_files import table_files

_HALF_DONE = re.compile(r"\.(\d{4}-\d{2}-\d{2})\.(partial|old)")
# Windows refuses to rename what a virus scanner or viewer holds open for a moment.
_PAUSES_S = (0.05, 0.1, 0.2, 0.4, 0.8)


class ReportError(RowcallError):
    """A report could not be written; the message names the folder and the remedy."""


def write_report(
    folder: Path, report: DayReport, pictures: Sequence[Picture], guard: Guard = UNGUARDED
) -> Path:
    """Write pages, findings and pictures into `<folder>/<day>/`, and return that folder.

    An older one is replaced. Everything is built in a hidden folder beside it and renamed when
    complete, so a run that is killed leaves either the older report or the new one; the next run
    clears what it left. All of it is on the disk when this returns: what is noted down afterwards
    may rely on it.

    Raises:
        ReportError: the folder cannot be written.
    """
    day = report.day.isoformat()
    target, contents = folder / day, _contents(report, pictures, guard)
    try:
        _build(folder, day, contents)
    except OSError as error:
        raise _not_written(target, error) from error
    return target


def write_file(target: Path, content: bytes) -> None:
    """Write a file beside the reports of days, whole or not at all.

    Raises:
        ReportError: the folder cannot be written.
    """
    half = target.with_name(f".{target.name}.partial")
    try:
        half.write_bytes(content)
        _sync_file(half)
        _patiently(partial(half.replace, target))
    except OSError as error:
        raise _not_written(target, error) from error


def _not_written(target: Path, error: OSError) -> ReportError:
    return ReportError(
        f"{target}: the report cannot be written ({error.strerror or error}). Check that the "
        "folder may be written to, has space, and that none of its files is open elsewhere."
    )


def _contents(report: DayReport, pictures: Sequence[Picture], guard: Guard) -> Mapping[str, bytes]:
    """Return the files of a report by name."""
    tables, texts = table_files(report, guard), write_pages(report, pictures, guard)
    own_names = {picture.name: picture.name for picture in pictures}
    title = f"{report.site.plant.name}, {report.day.isoformat()}"
    return {
        **{f"{name}.md": text.encode() for name, text in texts.items()},
        **{
            f"{name}.html": to_page(
                text, title=title, image_src=own_names, all_days=f"../{INDEX_FILE}"
            ).encode()
            for name, text in texts.items()
        },
        DAY_MAIL: to_json(day_mails(report, pictures, guard)).encode(),
        **tables,
        **{picture.name: picture.png for picture in pictures},
    }


def _build(folder: Path, day: str, contents: Mapping[str, bytes]) -> None:
    """Write the files to a hidden folder and put it in place of the older one."""
    folder.mkdir(parents=True, exist_ok=True)
    _clear_leftovers(folder)
    built = folder / f".{day}.partial"
    built.mkdir()
    for name, content in contents.items():
        (built / name).write_bytes(content)
        _sync_file(built / name)
    _sync_folder(built)
    _replace(built, folder / day, folder / f".{day}.old")
    _sync_folder(folder)


def _sync_file(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """See that the names in a folder are on the disk; Windows has no such call and needs none."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear_leftovers(folder: Path) -> None:
    """Remove what killed runs left; bring a report back that was moved away but not replaced."""
    half_done = [found for path in folder.iterdir() if (found := _HALF_DONE.fullmatch(path.name))]
    for match in sorted(half_done, key=lambda match: match[0]):
        path = folder / match[0]
        if match[2] == "old" and not (folder / match[1]).exists():
            _patiently(partial(path.rename, folder / match[1]))
        else:
            _patiently(partial(shutil.rmtree, path))


def _replace(built: Path, target: Path, old: Path) -> None:
    """Put the complete folder in place; a folder cannot be renamed onto a filled one."""
    if target.exists():
        _patiently(partial(target.rename, old))
    try:
        _patiently(partial(built.rename, target))
    except OSError:
        if old.exists():
            old.rename(target)
        raise
    if old.exists():
        # The new report stands; what cannot be removed now is removed by the next run.
        shutil.rmtree(old, ignore_errors=True)


def _patiently(step: Callable[[], object]) -> None:
    for pause in _PAUSES_S:
        try:
            step()
        except PermissionError:
            time.sleep(pause)
        else:
            return
    step()
