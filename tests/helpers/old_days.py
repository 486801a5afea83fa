"""Three days of two tags, to be moved out of a store."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from helpers.exports import plant_site

from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.archive.moving import archive_days
from rowcall.store.samples import read_samples

ZONE = ZoneInfo("Europe/Vienna")
PLANT = plant_site(zone=ZONE.key)
START = datetime(2026, 3, 27, 23, tzinfo=UTC)  # midnight in Vienna; the 29th has 23 hours
TAGS = ("DP", "it's PT", "none")
BEFORE = date(2026, 3, 30)


def text(shift: float = 0.0, first: datetime = START) -> str:
    """Three days of two tags, a point every ten minutes; words where a sensor was bad."""
    lines = ["tag,time,value"]
    for n in range(3 * 144):
        at = (first + timedelta(minutes=10 * n)).isoformat()
        lines += [f"DP,{at},{n + shift}", f"it's PT,{at},{'Bad' if n % 9 == 0 else n / 7}"]
    return "\n".join([*lines, ""])


def everything(store: Store) -> dict[str, list[bytes]]:
    """Return all samples of the three days, as bytes."""
    found = read_samples(store, TAGS, START - timedelta(days=2), START + timedelta(days=5))
    return {
        tag: [one.time_us.tobytes(), one.value.tobytes(), one.quality.tobytes()]
        for tag, one in found.items()
    }


def archive(store: Store, before: date = BEFORE, site: Site = PLANT) -> list[date]:
    """Move days out of the store; return which."""
    return [one.day for one in archive_days(store, site, before, lambda line: None)]
