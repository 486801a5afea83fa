"""Plant-local days as UTC instants: 23 and 25 hour days included."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the UTC instants at which a plant-local day begins and ends."""
    begin = datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)
    end = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone).astimezone(UTC)
    return begin, end


def local_day(instant: datetime, zone: ZoneInfo) -> date:
    """Return the plant-local day that an instant (with offset) falls on."""
    return instant.astimezone(zone).date()


def days_from(first: date, last: date) -> list[date]:
    """Return every day from `first` to `last`, both included."""
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]
