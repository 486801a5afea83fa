"""The plant as a whole: place, folders, what is known of its exports, and mail."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, timedelta, timezone, tzinfo
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, PrivateAttr, model_validator

from rowcall.site.address import address, checked
from rowcall.site.toml_table import Name, Seconds, Table, TableError, Written
from rowcall.units import AirUnit, DpUnit, GasFlowUnit, PressureUnit, TemperatureUnit, Units

_OFFSET = re.compile(r"([+-])(0\d|1[0-4]):([0-5]\d)")
_NO_ZONES = ("posix", "right", "posixrules")  # beside the zones, in other forms
_SIZE_UNITS = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30}


def _size(text: object) -> int:
    """Return a size written such as "4 GiB" in bytes."""
    number, _, unit = text.partition(" ") if isinstance(text, str) else ("", "", "")
    if not number.isdecimal() or unit not in _SIZE_UNITS:
        raise ValueError(
            f'{text!r} is not a size; allowed is text such as "512 KiB", "1 MiB" or "4 GiB"'
        )
    return int(number) * _SIZE_UNITS[unit]


def shown_size(size: int) -> str:
    """Return a size as the site file takes it."""
    unit = next(unit for unit in reversed(_SIZE_UNITS) if size % _SIZE_UNITS[unit] == 0)
    return f"{size // _SIZE_UNITS[unit]} {unit}"


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
Address = Annotated[Name, Written("mail address"), AfterValidator(checked)]
Size = Annotated[
    int, Written("size, in KiB, MiB or GiB", shown_size), BeforeValidator(_size), Field(ge=1024)
]


def _is_zone(name: str) -> bool:
    """Return whether a zone has this IANA name; listing all of them would open each one's file."""
    if name.partition("/")[0] in _NO_ZONES:
        return False
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # no file, no zone, or a folder
        return False
    return True


def _export_zone(text: str) -> str:
    """Check a zone of exports: an IANA name, or an offset from UTC."""
    if not _OFFSET.fullmatch(text) and not _is_zone(text):
        raise ValueError(
            f"{text!r} is neither an IANA time zone nor an offset; allowed are names such as "
            '"UTC" or "Europe/Vienna", and offsets such as "+01:00" (winter time all year)'
        )
    return text


class Plant(Table):
    """The plant: its name and the IANA zone that decides where a day begins."""

    name: Name
    """As reports print it."""
    time_zone: str
    """IANA name, such as `Europe/Vienna`; decides where a day begins."""

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        if not _is_zone(self.time_zone):
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
    """Where the exports arrive; folders in it are looked through too."""
    store: Path = Path("rowcall.duckdb")
    """All that rowcall remembers, in one file."""
    reports: Path = Path("reports")
    """A folder a day is written here."""
    work_log: Path | None = None
    """The CSV file kept by hand (`rowcall reference work-log`); left out: there is none."""


def _archive_folder(text: str) -> str:
    """Check the folder of the archive: a path, or a URL without a password."""
    kind, is_url, rest = text.partition("://")
    is_storage = kind.isalnum() and kind.islower() and kind != "memory"  # gone as the run ends
    if is_url and not (is_storage and rest.strip("/") and set(rest).isdisjoint("@?#")):
        raise ValueError(
            f"{text!r} is no folder; allowed are a path, and URLs of object storage such as "
            '"s3://bucket/samples", without user, password or options: keys come from the '
            "environment or from the profile files of the storage"
        )
    return text


class Archive(Table):
    """When the nightly run moves raw samples to Parquet files, and where these lie."""

    # Chosen: the 90 days that an edit of the work log may have judged again lie in the store.
    after_days: Annotated[int, Field(ge=100)] | None = None
    """Days that stay in the store, the newest ones; left out: all, until `rowcall archive`."""
    folder: Annotated[Name, AfterValidator(_archive_folder)] | None = None
    """A path, or object storage such as `s3://bucket/samples` (install `rowcall[object-storage]`;
    keys and `AWS_ENDPOINT_URL` come from the environment or `~/.aws`, never from here); left out:
    `<store>.archive`. Many plants may share it. Days archived before stay where they are."""


class TakeIn(Table):
    """What is known of the exports; whatever is left out is found from each file.

    `rowcall look` prints the settings that a file needs. Lines count from 1; `units_line` is 0
    where there is none.
    """

    encoding: (
        Literal["utf-8", "utf-16", "cp1250", "cp1251", "cp1252", "cp932", "gb18030"] | None
    ) = None
    """How text is written."""
    header_line: Annotated[int, Field(ge=1)] | None = None
    """The line that names the columns, from 1."""
    units_line: Annotated[int, Field(ge=0)] | None = None
    """The line of units, from 1; 0: there is none."""
    column_names: Annotated[tuple[Name, ...], Field(min_length=2)] | None = None
    """For exports without a header: a name a column, in their order."""
    layout: Literal["long", "wide"] | None = None
    """`long`: a row holds tag, time and value. `wide`: a column a tag."""
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    """What stands between two fields."""
    decimal: Literal[".", ","] | None = None
    """The decimal sign."""
    time_column: Name | None = None
    """The column of times."""
    clock_column: Name | None = None
    """The time of day, where `time_column` holds the date only."""
    tag_column: Name | None = None
    """Of a long layout: names the tag of each row."""
    value_column: Name | None = None
    """Of a long layout: the values."""
    quality_column: Name | None = None
    """The quality of each row."""
    equipment_column: Name | Literal[""] | None = None
    """Of a wide layout: names the equipment of each row; `""`: there is none."""
    time_format: Name | None = None
    """As for Python's strptime, `%d.%m.%Y %H:%M:%S`; or `epoch s`, `epoch ms`, `epoch us`, `epoch
    ns`."""
    day_first: bool | None = None
    """Whether the day stands before the month, where `time_format` is left out."""
    time_zone: Annotated[str, AfterValidator(_export_zone)] | None = None
    """Of times without an offset: an IANA name or an offset such as `+01:00`; left out: the
    plant's."""
    quality: Literal["words", "opc_ua", "older_numbers"] | None = None
    """How qualities are written."""
    quality_good: tuple[Name, ...] = ()
    """Further words or numbers that mean good; they count before all others."""
    quality_uncertain: tuple[Name, ...] = ()
    """Further words or numbers that mean uncertain."""
    quality_bad: tuple[Name, ...] = ()
    """Further words or numbers that mean bad."""
    bad_values: tuple[Name, ...] = ()
    """Further words in the place of a value."""
    earliest: date = date(1990, 1, 1)
    """Older times are set aside: a clock that was not set."""
    future_tolerance: Seconds = 3600.0
    """Times further ahead of this computer's clock are set aside until they have come."""
    unknown_tags: Literal["store", "set aside"] = "store"
    """What becomes of tags that no baghouse of the site file has."""
    files: tuple[Pattern, ...] = ()
    """Patterns within the inbox, such as `*.csv` or `2026/**/*.parquet`; left out: every export
    there."""
    largest_line: Size = 2**20
    """Longer lines are refused, as of a file that is no export."""
    largest_unpacked: Size = 4 * 2**30
    """Of one file, or one member of an archive; more is refused."""
    most_columns: Annotated[int, Field(ge=2)] = 10_000
    """More are refused."""
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
    """Differential pressures."""
    pressure: PressureUnit = "bar"
    """Of headers and supply, gauge."""
    temperature: TemperatureUnit = "Cel"
    """Temperatures."""
    gas_flow: GasFlowUnit = "m3/h"
    """Gas flow."""
    air: AirUnit = "m3"
    """Free air."""

    @cached_property
    def scales(self) -> Units:
        """How quantities are written."""
        return Units.of(**self.model_dump())


class Log(Table):
    """The file that also gets what runs say; a full one is renamed, and the oldest one deleted."""

    file: Path
    """The log file."""
    max_size: Size = 2**20  # 1 MiB; chosen: years of nights
    """A file that is full is renamed: `.1`, `.2`, ..."""
    old_files: Annotated[int, Field(ge=1, le=1000)] = 4
    """So many renamed ones are kept."""


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
    """Who they are."""
    baghouses: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None
    """Ids of the baghouses that they are mailed about; left out: all."""
    from_urgency: Pressing = "watch"
    """The least pressing that makes a day worth a report."""
    quiet: Literal["report", "line", "nothing", "digest"] = "report"
    """What they get of a quiet day; `"nothing"` where `from_urgency` is given and this is not."""
    digest_on: Weekday = "monday"
    """The day on which a digest brings the quiet days since the last one in one mail."""

    @model_validator(mode="before")
    @classmethod
    def _default_quiet(cls, given: object) -> object:
        """Who names an urgency wants no report below it, unless they say so."""
        if isinstance(given, dict) and "from_urgency" in given:
            return {"quiet": "nothing", **given}
        return given


class Mail(Table):
    """Where reports are mailed, and to whom; the password is never in the site file itself."""

    to: Addresses
    """Who gets every report, and what is wrong with a night."""
    reader: tuple[Reader, ...] = ()
    """Others, each a `[[mail.reader]]`."""
    sender: Annotated[Address, Field(alias="from")]
    """The sender's address."""
    host: Name
    """The mail server."""
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    """Its port."""
    security: Literal["starttls", "tls"] = "starttls"
    """How the connection is encrypted."""
    login: bool = True
    """Whether the server asks for user and password."""
    user: Name | None = None
    """The user; left out: from the environment, as the password."""
    password_file: Path | None = None
    """A file that holds the password and that nobody else may read."""
    days_back: Annotated[int, Field(ge=1, le=366)] = 7
    """Reports of older days are written, but not mailed."""

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
