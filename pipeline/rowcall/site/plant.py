"""The plant as a whole: place, folders, what is known of its exports, and mail."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, model_validator

from rowcall.site.table import Name, Table


class Plant(Table):
    """The plant: its name and the IANA zone that decides where a day begins."""

    name: Name
    time_zone: str

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        if self.time_zone not in available_timezones():
            raise ValueError(
                f"time_zone {self.time_zone!r} is not an IANA time zone; "
                "allowed are names such as Europe/Vienna, America/Chicago or UTC"
            )
        return self

    @property
    def zone(self) -> ZoneInfo:
        """The zone of plant-local time."""
        return ZoneInfo(self.time_zone)


class Folders(Table):
    """Where things lie; relative paths start at the site file."""

    inbox: Path = Path("inbox")
    store: Path = Path("rowcall.duckdb")
    reports: Path = Path("reports")


class TakeIn(Table):
    """What is known of the exports; whatever is left out is worked out from each file."""

    layout: Literal["long", "wide"] | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    time_column: Name | None = None
    tag_column: Name | None = None
    value_column: Name | None = None
    quality_column: Name | None = None
    time_format: Name | None = None


class Mail(Table):
    """Where reports are mailed; the user name and password come from the environment only."""

    to: Annotated[tuple[Name, ...], Field(min_length=1)]
    sender: Annotated[Name, Field(alias="from")]
    host: Name
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls"] = "starttls"
    login: bool = True
    days_back: Annotated[int, Field(ge=1, le=366)] = 7  # older days are reported, not mailed
