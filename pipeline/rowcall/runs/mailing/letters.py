"""The letters of a night: a day's report, or notices by themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path

from rowcall.errors import printable
from rowcall.mail.message import Letter, content_id
from rowcall.mail.notice import Notice
from rowcall.model import Urgency
from rowcall.site import Site
from rowcall.store.nights.judgements import Judged
from rowcall_reports.html import to_html
from rowcall_reports.page_links import day_page, without_links
from rowcall_reports.wording import bullets, escape


def report_letter(
    site: Site, folder: Path, day: date, judged: Judged, urgencies: Mapping[str, int]
) -> Letter:
    page = (folder / f"{day_page(day)}.md").read_text(encoding="utf-8")
    markdown = without_links(page)  # a mail does not hold the pages that it links to
    shown = (path for path in sorted(folder.glob("*.png")) if f"]({path.name})" in markdown)
    pictures = [(path.name, path.read_bytes()) for path in shown]
    subject = f"{printable(site.plant.name)}: baghouses on {day.isoformat()}: {_counts(urgencies)}"
    if judged.revision > 1:
        subject += f" (revision {judged.revision})"
    sources = {name: f"cid:{content_id(name)}" for name, _ in pictures}
    return Letter(
        plant=site.plant.name,
        day=day,
        revision=judged.revision,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src=sources),
        pictures=pictures,
        written=judged.at,
    )


def _counts(urgencies: Mapping[str, int]) -> str:
    counts = [f"{n} {urgency.value}" for urgency in Urgency if (n := urgencies.get(urgency.value))]
    return ", ".join(counts) or "nothing found"


def notices_letter(site: Site, day: date, now: datetime, notices: Sequence[Notice]) -> Letter:
    subject = f"{printable(site.plant.name)}: trouble with the baghouse check-up of {day}"
    markdown = (
        f"# {escape(subject)}\n\nNo report that was mailed says this:\n\n"
        f"{bullets(notice.text for notice in notices)}\n\n"
        "This mail comes once, and again when something changed or has stood for a week.\n"
    )
    return short_letter(site.plant.name, day, now, subject, markdown)


def short_letter(plant: str, day: date, now: datetime, subject: str, markdown: str) -> Letter:
    """Return a letter without a report; `plant` and `day` make its Message-ID."""
    return Letter(
        plant=plant,
        day=day,
        revision=0,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src={}),
        pictures=(),
        written=now,
    )
