"""The whole site file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from rowcall.site.baghouse import Baghouse
from rowcall.site.plant import Archive, Folders, Log, Mail, Plant, TakeIn, UnitsTable
from rowcall.site.roles import ROLES, Serves
from rowcall.site.tag import Tag
from rowcall.site.toml_table import KeyPath, Table, TableError


class Site(Table):
    """A validated site file."""

    plant: Plant
    folders: Folders = Folders()
    archive: Archive = Archive()
    take_in: TakeIn = TakeIn()
    units: UnitsTable = UnitsTable()
    mail: Mail | None = None
    """Left out: nothing is mailed. User and password come from `user` and `password_file`, or from
    `ROWCALL_SMTP_USER` and `ROWCALL_SMTP_PASSWORD` in the environment; `ROWCALL_SMTP_CA` may name
    the file of a certificate authority of your own."""
    log: Log | None = None
    """Left out: runs write to stderr only."""
    rules: dict[str, dict[str, str | int | float]] = Field(default_factory=dict)
    """A table a rule, `[rules.row_silent]`, with any threshold that `rowcall rules` lists."""
    baghouse: tuple[Baghouse, ...]
    base: Annotated[Path, Field(exclude=True)] = Path()

    @model_validator(mode="after")
    def _unique(self) -> Self:
        if not self.baghouse:
            raise ValueError("the site file must hold at least one [[baghouse]] table")
        ids = [baghouse.id for baghouse in self.baghouse]
        if len(set(ids)) < len(ids):
            raise ValueError(f"baghouse ids {ids} must differ from each other")
        if found := [*self._tags_of_two(), *self._readers_of_none(ids)]:
            raise TableError(found)
        return self

    def _tags_of_two(self) -> Iterator[tuple[KeyPath, str]]:
        """Yield tags of two baghouses, other than what both may share, as a supply of air."""
        seen: dict[str, tuple[Baghouse, Tag]] = {}
        for number, house in enumerate(self.baghouse):
            for index, tag in enumerate(house.tag):
                first, same = seen.setdefault(tag.tag, (house, tag))
                shared = same.place == tag.place and ROLES[tag.role].serves is Serves.BAGHOUSE
                if first is not house and same.shares_days_with(tag) and not shared:
                    text = (
                        f"tag {tag.tag!r}: it already has role {same.role.value} in baghouse "
                        f"{first.id}; one tag records one thing, so one of the two is wrong"
                    )
                    yield ("baghouse", number, "tag", index), text

    def _readers_of_none(self, ids: list[str]) -> Iterator[tuple[KeyPath, str]]:
        """Yield readers' baghouses that the site file has not."""
        for number, reader in enumerate(self.mail.reader if self.mail else ()):
            for index, house in enumerate(reader.baghouses or ()):
                if house not in ids:
                    text = f"there is no baghouse {house!r}; allowed are {', '.join(ids)}"
                    yield ("mail", "reader", number, "baghouses", index), text

    @property
    def take_in_settings(self) -> TakeIn:
        """The settings of `[take_in]`, with the tags to store where only known ones are stored."""
        if self.take_in.unknown_tags == "store":
            return self.take_in
        return self.take_in.storing_only(tag.tag for house in self.baghouse for tag in house.tag)

    @property
    def export_zone(self) -> tzinfo:
        """The zone of times without an offset in exports; the plant's day stays the plant's."""
        return self.take_in.zone or self.plant.zone

    @property
    def inbox(self) -> Path:
        """Folder that the exports arrive in."""
        return self.base / self.folders.inbox

    @property
    def store(self) -> Path:
        """The DuckDB file."""
        return self.base / self.folders.store

    @property
    def reports(self) -> Path:
        """Folder that the nightly reports are written to."""
        return self.base / self.folders.reports

    @property
    def work_log(self) -> Path | None:
        """The work log, None where there is none."""
        name = self.folders.work_log
        return None if name is None else self.base / name
