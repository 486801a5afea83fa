"""What of a day's report is mailed, by the baghouses that readers want; a file of its folder."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from errno import EINVAL
from pathlib import Path
from typing import get_args

from rowcall.site import Mail
from rowcall.site.plant import Pressing, Reader

DAY_MAIL = "mail.json"
_PRESSING: Sequence[str] = get_args(Pressing)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayMail:
    """A day as some baghouses' readers get it.

    Attributes:
        baghouses: their ids; empty for all.
        subject: of the mail with the report.
        pressing: of what is new or to be done now, the most pressing urgency; None on a quiet day.
        line: what is said of a quiet day, one sentence.
        markdown: the report.
        pictures: their names in the report, in its order.
    """

    baghouses: tuple[str, ...]
    subject: str
    pressing: str | None
    line: str
    markdown: str
    pictures: tuple[str, ...]

    def is_quiet_for(self, reader: Reader) -> bool:
        """Whether nothing on the day is as pressing as a reader wants it."""
        wanted = _PRESSING[: _PRESSING.index(reader.from_urgency) + 1]
        return self.pressing not in wanted


def groups_of(mail: Mail | None) -> list[tuple[str, ...]]:
    """Return the sets of baghouses of which readers want reports, all (empty) first."""
    readers = mail.reader if mail else ()
    return list(dict.fromkeys([(), *(reader.baghouses or () for reader in readers)]))


def to_json(mails: Iterable[DayMail]) -> str:
    """Return the content of the file `DAY_MAIL`."""
    return json.dumps([asdict(mail) for mail in mails], ensure_ascii=False, indent=1)


def read_day_mails(folder: Path) -> dict[tuple[str, ...], DayMail]:
    """Return what is mailed of a day, by baghouses.

    Raises:
        OSError: the report has none, it cannot be read, or was changed.
    """
    text = (folder / DAY_MAIL).read_bytes()
    tuples = ("baghouses", "pictures")
    try:
        lines = json.loads(text)
        mails = [DayMail(**line | {key: tuple(line[key]) for key in tuples}) for line in lines]
    except (ValueError, TypeError, KeyError) as error:
        raise OSError(EINVAL, f"{DAY_MAIL} is not as rowcall wrote it") from error
    return {mail.baghouses: mail for mail in mails}
