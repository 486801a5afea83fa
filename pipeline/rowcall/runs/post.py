"""The last step of the pipeline: reports of the last days go to those who do not have them yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, timedelta
from pathlib import Path

from rowcall.days import local_day
from rowcall.errors import printable
from rowcall.mail.message import SENT, UNKNOWN, Letter, content_id, deliver
from rowcall.model import Urgency
from rowcall.site import Site
from rowcall.site.address import address
from rowcall.store import Store
from rowcall.store.results import Judged, StoreOutbox, judged_days, urgencies_found
from rowcall_reports.html import to_html


def mail_reports(
    store: Store,
    site: Site,
    now: datetime,
    environment: Mapping[str, str],
    progress: Callable[[str], None],
) -> list[str]:
    """Mail what is not yet mailed; return a sentence for every report that someone still lacks."""
    if site.mail is None:
        return []
    outbox = StoreOutbox(store, now)
    oldest = local_day(now, site.plant.zone) - timedelta(days=site.mail.days_back)
    lacking = []
    for day, judged in sorted(judged_days(store).items()):
        states = (outbox.state(day, judged.revision, address(to)) for to in site.mail.to)
        if day < oldest or all(state in (SENT, UNKNOWN) for state in states):
            continue
        folder = site.reports / day.isoformat()
        if not folder.is_dir():
            lacking.append(f"{folder}: the report of {day} is gone and cannot be mailed.")
            continue
        try:
            letter = _letter(site, folder, day, judged, urgencies_found(store, day))
        except OSError as error:
            reason = error.strerror or error
            lacking.append(f"{folder}: the report of {day} cannot be read ({reason}) and mailed.")
            continue
        delivery = deliver(outbox, site.mail, letter, environment)
        for message in delivery.messages:
            progress(message)
        if delivery.waiting or delivery.unknown:
            lacking += delivery.messages
    return lacking


def _letter(
    site: Site, folder: Path, day: date, judged: Judged, urgencies: Mapping[str, int]
) -> Letter:
    markdown = (folder / f"rowcall-{day.isoformat()}.md").read_text(encoding="utf-8")
    pictures = [(path.name, path.read_bytes()) for path in sorted(folder.glob("*.png"))]
    subject = f"{printable(site.plant.name)}: baghouses on {day.isoformat()}: {_counts(urgencies)}"
    if judged.revision > 1:
        subject += f" (revision {judged.revision}: data changed)"
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
