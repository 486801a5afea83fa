"""What is to be mailed to whom: reports, lines and digests, and why something is not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from rowcall.days import local_day
from rowcall.mail.day_mail import DayMail, read_day_mails
from rowcall.mail.fate import FAILED, HELD, SENT, UNKNOWN, UNWANTED, Fate
from rowcall.site import Mail, Reader, Site
from rowcall.site.address import address
from rowcall.site.plant import Weekday
from rowcall.store.nights.judgements import Judged
from rowcall.store.nights.said import StoreOutbox

if TYPE_CHECKING:
    from rowcall.mail.message import Letter

_WEEKDAYS: Sequence[str] = get_args(Weekday)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedMail:
    """What becomes of one day, or of the quiet days of a digest, for some recipients.

    Attributes:
        form: report, line or digest of `letter`; empty where nothing is mailed now.
        state: kept of the mail instead, where not empty.
        why: it is mailed, or is not.
        is_lacking: whether they should have got something.
    """

    to: tuple[str, ...]
    day: date
    revision: int
    form: str = ""
    letter: Letter | None = None
    state: str = ""
    why: str = ""
    is_lacking: bool = False


@dataclass(frozen=True, slots=True)
class MailPlan:
    """Who is to be mailed what in a night.

    Attributes:
        at_once: mails that failed are tried now, whenever they were tried last.
        quiet: quiet days not mailed yet, by the recipient of a digest.
    """

    outbox: StoreOutbox
    site: Site
    mail: Mail
    at_once: bool = False
    quiet: dict[str, dict[date, tuple[Judged, DayMail]]] = field(default_factory=dict)

    @property
    def now(self) -> datetime:
        """The instant of the run."""
        return self.outbox.now

    @property
    def today(self) -> date:
        """The plant-local day of the run."""
        return local_day(self.now, self.site.plant.zone)

    def of(self, judged: Mapping[date, Judged]) -> Iterator[PlannedMail]:
        """Yield what becomes of the judged days that someone lacks, oldest first; digests last."""
        oldest = self.today - timedelta(days=self.mail.days_back)
        open_days = self.outbox.days_open()
        for day, one in sorted(judged.items()):
            if day >= oldest or day in open_days:
                yield from self._of_day(day, one, is_old=day < oldest)
        for reader in self.mail.readers:
            yield from self._digests(reader)

    def _of_day(self, day: date, judged: Judged, *, is_old: bool) -> Iterator[PlannedMail]:
        lacking: list[tuple[Reader, str]] = []
        for reader in self.mail.readers:
            for to in dict.fromkeys(map(address, reader.to)):
                fate = self.outbox.fate(day, judged.revision, to)
                if _has(self.outbox, day, judged, to) or (is_old and fate is None):
                    continue
                if waits := self._waits(day, judged, to, fate):
                    yield waits
                else:
                    lacking.append((reader, to))
        if not lacking:
            return
        folder, everyone = self._folder(day), tuple(to for _, to in lacking)
        try:
            mails = read_day_mails(folder) if folder.is_dir() else {}
            yield from self._mailed(day, judged, mails, lacking)
        except OSError as error:
            why = (
                f"{folder}: the report of {day} cannot be read ({error.strerror or error}) and "
                f'mailed; "rowcall rejudge --from {day} --to {day}" writes it again.'
            )
            yield PlannedMail(
                to=everyone, day=day, revision=judged.revision, why=why, is_lacking=True
            )

    def _waits(self, day: date, judged: Judged, to: str, fate: Fate | None) -> PlannedMail | None:
        """Return why a mail that failed is not tried now, None where it is."""
        if fate is None or fate.state not in FAILED or self.at_once or fate.is_due(self.now):
            return None
        if fate.is_given_up:
            why = f"given up ({fate.said})"
            return PlannedMail(to=(to,), day=day, revision=judged.revision, why=why)
        when = local_day(fate.next_try, self.site.plant.zone)
        why = f"The report of {day} was refused for {to} ({fate.said}) and waits until {when}."
        return PlannedMail(to=(to,), day=day, revision=judged.revision, why=why, is_lacking=True)

    def _mailed(
        self,
        day: date,
        judged: Judged,
        mails: Mapping[tuple[str, ...], DayMail],
        lacking: Sequence[tuple[Reader, str]],
    ) -> Iterator[PlannedMail]:
        """Yield what those who lack a day get of it, one mail for all who get the same."""
        alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
        for reader, to in lacking:
            day_mail = _mail_for(reader, mails)
            if day_mail is None:
                alike.setdefault(("", ()), []).append(to)
                continue
            form = self._form(day, judged, day_mail, reader, to)
            if form == "digest":
                self.quiet.setdefault(to, {})[day] = judged, day_mail
            alike.setdefault((form, day_mail.baghouses), []).append(to)
        for (form, houses), everyone in alike.items():
            yield self._planned(form, tuple(everyone), day, judged, mails.get(houses))

    def _form(self, day: date, judged: Judged, day_mail: DayMail, reader: Reader, to: str) -> str:
        """Return what a reader gets of a day; who had a report of it gets the next one, too."""
        before = (self.outbox.fate(day, n, to) for n in range(1, judged.revision))
        has_had = any(fate is not None and fate.state == SENT for fate in before)
        return reader.quiet if day_mail.is_quiet_for(reader) and not has_had else "report"

    def _planned(
        self, form: str, to: tuple[str, ...], day: date, judged: Judged, day_mail: DayMail | None
    ) -> PlannedMail:
        folder = self._folder(day)
        if day_mail is None:
            why = f"{folder}: the report of {day} is gone and cannot be mailed."
            return PlannedMail(to=to, day=day, revision=judged.revision, why=why, is_lacking=True)
        if form in ("nothing", "digest"):
            state = UNWANTED if form == "nothing" else HELD
            why = "quiet day" if form == "nothing" else "quiet day, kept for the digest"
            return PlannedMail(to=to, day=day, revision=judged.revision, state=state, why=why)
        from rowcall.runs.mailing import letters  # loads the report; a day that is held needs none

        if form == "line":
            letter = letters.line_letter(self.site, day, judged, day_mail)
        else:
            mail = self.mail.model_copy(update={"to": to})
            letter = letters.report_letter(self.site, mail, folder, day, judged, day_mail)
        why = f"{day_mail.pressing}: new, or to do now" if day_mail.pressing else "nothing new"
        return PlannedMail(
            to=to, day=day, revision=judged.revision, form=form, letter=letter, why=why
        )

    def _digests(self, reader: Reader) -> Iterator[PlannedMail]:
        """Yield a reader's digests of the quiet days before the last weekday that they named."""
        since = (self.today.weekday() - _WEEKDAYS.index(reader.digest_on)) % len(_WEEKDAYS)
        end = self.today - timedelta(days=since)
        alike: dict[tuple[date, ...], list[str]] = {}
        for to in dict.fromkeys(map(address, reader.to)):
            days = tuple(day for day in self.quiet.get(to, {}) if day < end)
            if days:
                alike.setdefault(days, []).append(to)
        for days, everyone in alike.items():
            of_days = {day: self.quiet[everyone[0]][day] for day in days}
            yield self._digest(tuple(everyone), of_days)

    def _digest(
        self, to: tuple[str, ...], of_days: Mapping[date, tuple[Judged, DayMail]]
    ) -> PlannedMail:
        from rowcall.runs.mailing.letters import digest_letter

        newest = max(of_days)
        revision, folder = of_days[newest][0].revision, self._folder(newest)
        mail = self.mail.model_copy(update={"to": to})
        try:
            letter = digest_letter(self.site, mail, folder, of_days)
        except OSError as error:
            why = f"{folder}: it cannot be read ({error.strerror or error}) and mailed."
            return PlannedMail(to=to, day=newest, revision=revision, why=why, is_lacking=True)
        why = f"{len(of_days)} quiet days"
        return PlannedMail(
            to=to, day=newest, revision=revision, form="digest", letter=letter, why=why
        )

    def _folder(self, day: date) -> Path:
        return self.site.reports / day.isoformat()


def _mail_for(reader: Reader, mails: Mapping[tuple[str, ...], DayMail]) -> DayMail | None:
    """Return a reader's part of a day, all of it where the report was written before they asked."""
    return mails.get(reader.baghouses or ()) or mails.get(())


def _has(outbox: StoreOutbox, day: date, judged: Judged, recipient: str) -> bool:
    """Return whether a recipient has the verdicts of a day, from this report or one before it."""
    first = judged.revision if judged.verdicts_changed else 1
    fates = (outbox.fate(day, n, recipient) for n in range(first, judged.revision + 1))
    return any(fate.state in (SENT, UNKNOWN, UNWANTED) for fate in fates if fate is not None)
