"""Reading a site file: TOML in, a validated `Site` out, every error with key, line and remedy."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from rowcall.errors import SiteError
from rowcall.site import Folders, Mail, Plant, Site, TakeIn
from rowcall.site.toml_lines import dotted, locate, open_checks, readable_tables
from rowcall.site.toml_table import Table, TableError

_PLACE = re.compile(r"\{(compartment|row)(?::0(\d)d)?\}")


def read_site(
    path: Path, overrides: Mapping[str, str] | None = None, *, is_to_judge: bool = False
) -> Site:
    """Read and validate a site file.

    Args:
        path: the TOML file.
        overrides: settings of a rerun, `baghouse.BH1.cleaning.interval` -> `"12 s"`.
        is_to_judge: days are judged by it, so lines of a draft still marked CHECK are refused.

    Raises:
        SiteError: unreadable, not TOML, or not valid; names file, line, key, found and allowed.
    """
    text, raw = _read_toml(path)
    for key, value in (overrides or {}).items():
        _override(raw, key, value)
    expanded, origins = _expand_all(raw)
    try:
        site = Site.model_validate(expanded)
    except ValidationError as error:
        raise SiteError(_explain(path, text, error, origins, overrides)) from error
    if is_to_judge and (lines := [f"{path}:{at}: {line}" for at, line in open_checks(text)]):
        lines.append(
            f"{path}: no day is judged by guesses. Look at each of these lines, correct it where "
            "it is wrong, and delete its mark, from # CHECK to the end of the line."
        )
        raise SiteError("\n".join(lines))
    base = path.resolve().parent
    mail = None if site.mail is None else site.mail.beside(base)
    return site.model_copy(update={"base": base, "mail": mail})


@dataclass(frozen=True, slots=True)
class ExportSettings:
    """What is known of a plant's exports, perhaps before its site file is complete.

    Attributes:
        zone: of times without an offset, None where it is not known.
        plant: what is known of `[plant]`, as written.
        written: what is known of `[take_in]`, as written.
    """

    take_in: TakeIn = field(default_factory=TakeIn)
    zone: tzinfo | None = None
    plant: Mapping[str, Any] = field(default_factory=dict)
    written: Mapping[str, Any] = field(default_factory=dict)


class _Begun(Table):
    plant: Plant
    take_in: TakeIn = TakeIn()


def read_export_settings(path: Path | None, overrides: Mapping[str, str]) -> ExportSettings:
    """Read `[plant]` and `[take_in]` of a site file, and parts of either if that is all there is.

    Raises:
        SiteError: as `read_site`, of these two tables; other ones are not looked at.
    """
    text, raw = _read_toml(path) if path is not None else ("", {})
    for key, value in overrides.items():
        _override(raw, key, value)
    others = Site.model_fields.keys() - _Begun.model_fields.keys()
    begun = {key: value for key, value in raw.items() if key not in others}
    plant = begun.get("plant", {})
    if isinstance(plant, dict):
        begun["plant"] = {"name": "My plant", "time_zone": "UTC"} | plant
    try:
        found = _Begun.model_validate(begun)
    except ValidationError as error:
        raise SiteError(_explain(path, text, error, (), overrides)) from error
    zone = found.plant.zone if "time_zone" in plant else None
    return ExportSettings(
        found.take_in, found.take_in.zone or zone, plant, begun.get("take_in", {})
    )


class MailSettings(Table):
    """What is needed to mail that a run failed."""

    plant: Plant = Plant(name="My plant", time_zone="UTC")
    folders: Folders = Folders()
    mail: Mail
    base: Annotated[Path, Field(exclude=True)] = Path()

    @property
    def store(self) -> Path:
        """The DuckDB file."""
        return self.base / self.folders.store


def read_mail_settings(path: Path) -> MailSettings | None:
    """Read who is to be mailed, and of which plant, from a site file that may be wrong elsewhere.

    Returns None where nobody is named or `[mail]` itself cannot be used.
    """
    try:
        tables = readable_tables(path.read_bytes().decode("utf-8-sig", "replace"))
    except OSError:
        return None
    for names in (("plant", "folders", "mail"), ("plant", "mail"), ("mail",)):
        with suppress(ValidationError):
            found = MailSettings.model_validate(
                {key: tables[key] for key in names if key in tables}
            )
            base = path.resolve().parent
            return found.model_copy(update={"base": base, "mail": found.mail.beside(base)})
    return None


def _read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SiteError(f"{path}: the site file cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise SiteError(f"{path}: the site file is not UTF-8 text; save it as UTF-8.") from error
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SiteError(f"{path}: this is not valid TOML: {error}.") from error


def _explain(
    path: Path | None,
    text: str,
    error: ValidationError,
    origins: Sequence[Sequence[int]],
    overrides: Mapping[str, str] | None,
) -> str:
    """Return one line an error: file, line, key, what is allowed, what was found."""
    lines = []
    for item in error.errors():
        found = item.get("ctx", {}).get("error")
        parts = found.found if isinstance(found, TableError) else (((), _message(item)),)
        for within, what in parts:
            place = _written_place((*item["loc"], *within), origins)
            line = locate(text, place)
            where = f"{path}:{line}" if line else str(path)
            if dotted(place) in (overrides or {}):
                where = "--set"
            lines.append(f"{where}: {dotted(place) or 'site file'}: {what}")
    return "\n".join(dict.fromkeys(lines))


def _message(item: Mapping[str, Any]) -> str:
    kind, text = item["type"], str(item["msg"])
    if kind == "extra_forbidden":
        return "this key is not known here; check the spelling"
    if kind == "missing":
        return "this key is missing and must be given"
    found = item["input"]
    shown = f" (found {found!r})" if isinstance(found, (str, int, float, list)) else ""
    return text.removeprefix("Value error, ").removeprefix("Input ").strip().rstrip(".") + shown


def _written_place(
    loc: tuple[int | str, ...], origins: Sequence[Sequence[int]]
) -> tuple[str | int, ...]:
    """Return where an expanded tag is written in the file, without names of union branches."""
    place = list(loc)
    if len(place) > 3 and place[0] == "baghouse" and place[2] == "tag":
        house, index = place[1], place[3]
        if isinstance(house, int) and isinstance(index, int):
            place[3] = origins[house][index]
    return tuple(part for part in place if isinstance(part, int) or part.isidentifier())


def _override(raw: dict[str, Any], key: str, value: str) -> None:
    """Set one dotted key in the raw site file; `baghouse.ID` picks a baghouse by its id."""
    parts = key.split(".")
    table: Any = raw
    if parts[0] == "baghouse" and len(parts) > 2:
        houses = [entry for entry in raw.get("baghouse", []) if entry.get("id") == parts[1]]
        if not houses:
            raise SiteError(f"--set {key}: there is no baghouse {parts[1]!r} in the site file.")
        table, parts = houses[0], parts[2:]
    for part in parts[:-1]:
        table = table.setdefault(part, {})
        if not isinstance(table, dict):
            raise SiteError(f"--set {key}: {part!r} is not a table of the site file.")
    table[parts[-1]] = _as_toml(value)


def _as_toml(value: str) -> Any:
    """Read a setting as TOML where it is TOML (numbers, lists), else as plain text."""
    try:
        return tomllib.loads(f"x = {value}")["x"]
    except tomllib.TOMLDecodeError:
        return value


def _expand_all(raw: dict[str, Any]) -> tuple[dict[str, Any], list[list[int]]]:
    """Return every tag template written out and, by baghouse, the written index of each tag."""
    origins: list[list[int]] = []
    houses = raw.get("baghouse")
    if not isinstance(houses, list):
        return raw, origins
    out: list[Any] = []
    for house in houses:
        tags, origin = _expand_house(house) if isinstance(house, dict) else (None, [])
        out.append(house if tags is None else {**house, "tag": tags})
        origins.append(origin)
    return {**raw, "baghouse": out}, origins


def _expand_house(house: Mapping[str, Any]) -> tuple[list[Any] | None, list[int]]:
    written, rows = house.get("tag"), _rows_of(house)
    if not isinstance(written, list):
        return None, []
    tags: list[Any] = []
    origin: list[int] = []
    for index, tag in enumerate(written):
        expanded = _expand(tag, rows) if isinstance(tag, dict) and rows else [tag]
        tags += expanded
        origin += [index] * len(expanded)
    return tags, origin


def _rows_of(house: Mapping[str, Any]) -> list[int]:
    count, rows = house.get("compartments"), house.get("rows_per_compartment")
    if isinstance(count, int) and isinstance(rows, int) and 0 < count < 100 and 0 < rows < 100:
        return [rows] * count
    if isinstance(rows, list) and rows and all(isinstance(n, int) and 0 < n < 100 for n in rows):
        return rows
    return []


def _expand(tag: Mapping[str, Any], rows: Sequence[int]) -> list[Mapping[str, Any]]:
    """Return a tag with `{compartment}` and `{row}` of its name written out, one a place."""
    name = tag.get("tag")
    used = {match[1] for match in _PLACE.finditer(name)} if isinstance(name, str) else set()
    if not used or not isinstance(name, str):
        return [tag]
    compartments: list[int | None] = [tag.get("compartment")]
    if "compartment" in used and compartments == [None]:
        compartments = list(range(1, len(rows) + 1))
    out: list[Mapping[str, Any]] = []
    for compartment in compartments:
        in_range = compartment is not None and compartment <= len(rows)
        last = rows[compartment - 1] if in_range and compartment is not None else max(rows)
        for row in range(1, last + 1) if "row" in used else [tag.get("row")]:
            filled = _fill(name, {"compartment": compartment, "row": row})
            out.append({**tag, "tag": filled, "compartment": compartment, "row": row})
    return out


def _fill(name: str, place: Mapping[str, int | None]) -> str:
    return _PLACE.sub(lambda match: str(place[match[1]]).zfill(int(match[2] or 1)), name)
