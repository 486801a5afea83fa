"""The plant as a whole: place, folders, what is known of its exports, and mail."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta, timezone, tzinfo
from functools import cache, cached_property
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator, Field, PrivateAttr, model_validator

from rowcall.site.address import address, checked
from rowcall.site.toml_table import Name, Seconds, Table, TableError
from rowcall.units import AirUnit, DpUnit, GasFlowUnit, PressureUnit, TemperatureUnit, Units

_OFFSET = re.compile(r"([+-])(0\d|1[0-4]):([0-5]\d)")
_SIZE_UNITS = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}


def _size(text: object) -> int:
    """Return a size written such as "4 GiB" in bytes."""
    number, _, unit = text.partition(" ") if isinstance(text, str) else ("", "", "")
    if not number.isdecimal() or unit not in _SIZE_UNITS:
        raise ValueError(
            f'{text!r} is not a size; allowed is text such as "512 KiB", "1 MiB" or "4 GiB"'
        )
    return int(number) * _SIZE_UNITS[unit]


def _pattern(text: str) -> str:
    """Check a glob pattern of files within the inbox."""
    parts = PurePosixPath(text).parts
    if "\\" in text or text.startswith("/") or ":" in text or ".." in parts:
        raise ValueError(
            f"{text!r} lies outside the inbox; allowed are patterns within it, with / between "
            'folders, such as "*.csv" or "2026/**/*.parquet"'
        )
    if any("**" in part and part != "**" for part in parts):
        raise ValueError(f'{text!r}: "**" stands for folders, alone between two /')
    return text


Pattern = Annotated[Name, AfterValidator(_pattern)]
Address = Annotated[Name, AfterValidator(checked)]
Size = Annotated[int, BeforeValidator(_size), Field(ge=1024)]


@cache
def _known_zones() -> frozenset[str]:
    """IANA names; listing them walks through hundreds of files, so it is done once."""
    return frozenset(available_timezones())


def _export_zone(text: str) -> str:
    """Check a zone of exports: an IANA name, or an offset from UTC."""
    if not _OFFSET.fullmatch(text) and text not in _known_zones():
        raise ValueError(
            f"{text!r} is neither an IANA time zone nor an offset; allowed are names such as "
            '"UTC" or "Europe/Vienna", and offsets such as "+01:00" (winter time all year)'
        )
    return text


class Plant(Table):
    """The plant: its name and the IANA zone that decides where a day begins."""

    name: Name
    time_zone: str

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        if self.time_zone not in _known_zones():
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
    """The folders and the store; relative paths start at the site file."""

    inbox: Path = Path("inbox")
    store: Path = Path("rowcall.duckdb")
    reports: Path = Path("reports")
    work_log: Path | None = None  # a CSV file kept by hand


class TakeIn(Table):
    """What is known of the exports; whatever is left out is found from each file.

    `rowcall look` prints the settings that a file needs. Lines count from 1; `units_line` is 0
    where there is none.
    """

    encoding: (
        Literal["utf-8", "utf-16", "cp1250", "cp1251", "cp1252", "cp932", "gb18030"] | None
    ) = None
    header_line: Annotated[int, Field(ge=1)] | None = None
    units_line: Annotated[int, Field(ge=0)] | None = None
    column_names: Annotated[tuple[Name, ...], Field(min_length=2)] | None = None  # for no header
    layout: Literal["long", "wide"] | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    time_column: Name | None = None
    clock_column: Name | None = None  # the time of day, where `time_column` holds the date only
    tag_column: Name | None = None
    value_column: Name | None = None
    quality_column: Name | None = None
    equipment_column: Name | Literal[""] | None = None  # of a wide layout; "": there is none
    time_format: Name | None = None  # as for strptime, or "epoch s", "epoch ms", ...
    day_first: bool | None = None
    # Of times without an offset: an IANA zone or an offset; left out: the plant's zone.
    time_zone: Annotated[str, AfterValidator(_export_zone)] | None = None
    quality: Literal["words", "opc_ua", "older_numbers"] | None = None
    quality_good: tuple[Name, ...] = ()  # further words (or numbers), before all others
    quality_uncertain: tuple[Name, ...] = ()
    quality_bad: tuple[Name, ...] = ()
    bad_values: tuple[Name, ...] = ()  # further words in the place of a value
    earliest: date = date(1990, 1, 1)  # older times are a clock that was not set
    future_tolerance: Seconds = 3600.0  # times further ahead of this computer's clock are wrong
    unknown_tags: Literal["store", "set aside"] = "store"  # those that no baghouse has
    files: tuple[Pattern, ...] = ()  # glob patterns within the inbox; left out: every export there
    largest_line: Size = 2**20  # 1 MiB
    largest_unpacked: Size = 4 * 2**30  # 4 GiB, of one file or one member of an archive
    most_columns: Annotated[int, Field(ge=2)] = 10_000
    _tags: frozenset[str] | None = PrivateAttr(default=None)

    @property
    def zone(self) -> tzinfo | None:
        """The zone of times without an offset, None where it is the plant's."""
        if self.time_zone is None or not (match := _OFFSET.fullmatch(self.time_zone)):
            return None if self.time_zone is None else ZoneInfo(self.time_zone)
        offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
        return timezone(-offset if match[1] == "-" else offset)

    @property
    def tags(self) -> frozenset[str] | None:
        """The tags that are stored, None where all are."""
        return self._tags

    def storing_only(self, tags: Iterable[str]) -> TakeIn:
        """Return the same, but with the samples of all other tags set aside."""
        copy = self.model_copy()
        copy._tags = frozenset(tags)
        return copy


class UnitsTable(Table):
    """The units of tables, texts and pictures, as UCUM codes; findings files have their own."""

    dp: DpUnit = "kPa"
    pressure: PressureUnit = "bar"  # of headers and supply, gauge
    temperature: TemperatureUnit = "Cel"
    gas_flow: GasFlowUnit = "m3/h"
    air: AirUnit = "m3"  # free air

    @cached_property
    def scales(self) -> Units:
        """How quantities are written."""
        return Units.of(**self.model_dump())


class Log(Table):
    """The file that also gets what runs say; a full one is renamed, and the oldest one deleted."""

    file: Path
    max_size: Size = 2**20  # 1 MiB; chosen: years of nights
    old_files: Annotated[int, Field(ge=1, le=1000)] = 4


def _one_or_more(value: object) -> object:
    return (value,) if isinstance(value, str) else value


Addresses = Annotated[tuple[Address, ...], BeforeValidator(_one_or_more), Field(min_length=1)]
Pressing = Literal["now", "next outage", "watch"]  # as `model.Urgency`, most pressing first
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


class Reader(Table):
    """Who is mailed about some baghouses only, or on some days only.

    A day is quiet for a reader where nothing as pressing as `from_urgency` is new on it, and
    nothing is to be done now.
    """

    to: Addresses
    baghouses: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None  # ids; None: all
    from_urgency: Pressing = "watch"
    quiet: Literal["report", "line", "nothing", "digest"] = "report"
    digest_on: Weekday = "monday"  # quiet days since the last one, in one mail

    @model_validator(mode="before")
    @classmethod
    def _default_quiet(cls, given: object) -> object:
        """Who names an urgency wants no report below it, unless they say so."""
        if isinstance(given, dict) and "from_urgency" in given:
            return {"quiet": "nothing", **given}
        return given


class Mail(Table):
    """Where reports are mailed, and to whom; the password is never in the site file itself."""

    to: Addresses  # every report, and trouble
    reader: tuple[Reader, ...] = ()
    sender: Annotated[Address, Field(alias="from")]
    host: Name
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls"] = "starttls"
    login: bool = True
    user: Name | None = None  # left out: from the environment, as the password
    password_file: Path | None = None
    days_back: Annotated[int, Field(ge=1, le=366)] = 7  # older days are reported, not mailed

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        seen = {address(text) for text in self.to}
        for number, reader in enumerate(self.reader):
            own = {address(text) for text in reader.to}
            if twice := sorted(seen & own):
                text = f"{twice[0]} is named in [mail] to or in another table; name each once"
                raise TableError([(("reader", number, "to"), text)])
            seen |= own
        return self

    @property
    def readers(self) -> tuple[Reader, ...]:
        """Everyone who is mailed, those of every report first."""
        return (Reader(to=self.to), *self.reader)

    def beside(self, base: Path) -> Mail:
        """Return the same with its files found from the folder of the site file."""
        file = self.password_file
        return self if file is None else self.model_copy(update={"password_file": base / file})
