"""A short mail where a nightly run fails altogether, so that nobody takes silence for quiet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from rowcall.days import local_day
from rowcall.errors import BusyError, CutShortError, MailError, RowcallError, file_problem
from rowcall.site import Mail
from rowcall.site.address import address
from rowcall.site_file import MailSettings, read_mail_settings
from rowcall.store.trouble import is_interruption

if TYPE_CHECKING:
    from rowcall.mail.message import Letter

_MARK = ".failed-"  # between the name of the store, and day, kind of the trouble and reader


def mail_failure(
    site_file: Path,
    error: Exception,
    now: datetime,
    environment: Mapping[str, str],
    progress: Callable[[str], None],
) -> None:
    """Mail that a nightly run failed, once a plant-local day and reader for each kind of trouble.

    What of the site file is wrong may leave `[mail]` readable. That a reader was mailed is kept as
    an empty file beside the store, as that needs no room; where even this cannot be written, the
    mail goes out with every run and says so. A run that waited in vain for another says nothing.

    Args:
        progress: gets in a sentence who was mailed, or why nobody was.
    """
    cause = error.__cause__ if isinstance(error, CutShortError) else error
    settings = read_mail_settings(site_file)
    if settings is None or isinstance(cause, BusyError) or is_interruption(error):
        return
    today = local_day(now, settings.plant.zone)
    name = f"{settings.store.name}{_MARK}{today}-{type(cause).__name__}"
    marks = {
        to: settings.store.with_name(f"{name}-{quote(to, safe='@')}")
        for to in map(address, settings.mail.to)
    }
    lacking, unkept = _marked(marks)
    if not lacking:
        return
    mail = settings.mail.model_copy(update={"to": tuple(lacking)})
    left = _send(_letter(settings, error, now, unkept), mail, environment, progress)
    for reader in lacking:
        if reader not in left:
            with suppress(OSError):
                marks[reader].unlink(missing_ok=True)


def _marked(marks: Mapping[str, Path]) -> tuple[list[str], str]:
    """Mark readers as mailed; return those who were not yet, and why a mark could not be made."""
    lacking, unkept = list[str](), ""
    for reader, mark in marks.items():
        try:
            mark.touch(exist_ok=False)
        except FileExistsError:
            continue
        except OSError as problem:
            unkept = problem.strerror or str(problem)
        lacking.append(reader)
    return lacking, unkept


def forget_failures(store: Path) -> None:
    """Let the next failure be mailed, as a run has come to its end."""
    for mark in store.parent.glob(f"{store.name}{_MARK}*"):
        with suppress(OSError):
            mark.unlink()


def _send(
    letter: Letter, mail: Mail, environment: Mapping[str, str], progress: Callable[[str], None]
) -> tuple[str, ...]:
    """Return for whom the letter left."""
    from rowcall.mail.message import compose
    from rowcall.mail.smtp import send

    try:
        result = send(compose(mail, letter), mail, mail.to, environment)
    except MailError as problem:
        progress(f"Nobody was mailed that this run failed. {problem}")
        return ()
    for reader, why in result.refused.items():
        progress(f"{reader} was not mailed that this run failed ({why}).")
    left = (*result.accepted, *result.uncertain)
    if left:
        progress(f"That this run failed was mailed to {', '.join(left)}.")
    return left


def _letter(settings: MailSettings, error: Exception, now: datetime, unkept: str) -> Letter:
    from rowcall.runs.mailing.letters import short_letter
    from rowcall_reports.wording import bullets, escape

    today = local_day(now, settings.plant.zone)
    subject = f"{settings.plant.name}: the baghouse check-up of {today} failed"
    again = (
        f"This could not be noted beside the store ({escape(unkept)}), so this mail comes with "
        "every run that fails."
        if unkept
        else "This mail comes once a day for each kind of trouble, as long as runs fail."
    )
    markdown = (
        f"# {escape(subject)}\n\nThe run was cut short, and days may be without a report:\n\n"
        f"{bullets(_said(error).splitlines())}\n\n"
        "What was reported and stored before stays; the next run goes on from there.\n\n"
        f"{again}\n"
    )
    plant = f"{settings.plant.name}, {type(error).__name__}"  # for a Message-ID of its own
    return short_letter(plant, today, now, subject, markdown)


def _said(error: Exception) -> str:
    if isinstance(error, OSError):
        return file_problem(error)
    if isinstance(error, RowcallError):
        return str(error)
    return f"rowcall itself failed ({type(error).__name__}); send the log to its developers."
