"""Columns of the tables for other systems, each declared once: frames, JSON Schema and reference
follow from them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

import polars as pl

from rowcall_reports import wording


class Kind(Enum):
    """What a cell holds: in words, as polars has it, as JSON Schema has it."""

    DAY = ("date", pl.Date, {"type": "string", "format": "date"})
    INSTANT = (
        "UTC instant", pl.Datetime("us", "UTC"),
        {"type": "string", "format": "date-time", "pattern": "Z$"},
    )  # fmt: skip
    TEXT = ("text", pl.String, {"type": "string"})
    WHOLE = ("integer", pl.Int64, {"type": "integer"})
    NUMBER = ("number", pl.Float64, {"type": "number"})
    YES_NO = ("true or false", pl.Boolean, {"type": "boolean"})


@dataclass(frozen=True, slots=True)
class Column:
    """One column, or one field of a structure.

    Attributes:
        kind: or the fields of the structures that a cell lists.
        null: what an empty cell means; '' where there is none.
        allowed: every value that there is, where they are few.
        many: a cell lists values of the kind.
        flat: how a structure of a cell is written in CSV, with its fields in braces.
    """

    name: str
    kind: Kind | tuple[Column, ...]
    meaning: str
    null: str = ""
    allowed: tuple[str, ...] = ()
    many: bool = False
    flat: str = ""

    @property
    def dtype(self) -> Any:
        """The polars data type, class or instance."""
        if isinstance(self.kind, Kind):
            own = self.kind.value[1]
            return pl.List(own) if self.many else own
        return pl.List(pl.Struct({field.name: field.dtype for field in self.kind}))

    @property
    def type_words(self) -> str:
        """Its type, as the reference has it."""
        if isinstance(self.kind, Kind):
            words = f"list of {self.kind.value[0]}" if self.many else self.kind.value[0]
        else:
            words = f"list of {', '.join(field.name for field in self.kind)}"
        return f"{words} or null" if self.null else words

    @property
    def words(self) -> str:
        """Its meaning, with what null means and what is allowed, as the reference has it."""
        parts = {
            "": self.meaning,
            "one of: ": ", ".join(self.allowed),
            "null: ": self.null,
            "in CSV ": self.flat and f"`{self.flat}`",
        }
        return "; ".join(f"{head}{text}" for head, text in parts.items() if text)

    def schema(self) -> dict[str, Any]:
        """Return its JSON Schema."""
        if not isinstance(self.kind, Kind):
            return {"description": self.words, "type": "array", "items": _object(self.kind)}
        own: dict[str, Any] = dict(self.kind.value[2])
        if self.allowed:
            own["enum"] = [*self.allowed, *([None] if self.null else [])]
        if self.null:
            own["type"] = [own["type"], "null"]
        if self.many:
            own = {"type": "array", "items": own}
        return {"description": self.words, **own}


@dataclass(frozen=True, slots=True)
class Table:
    """A table for other systems.

    Attributes:
        name: of its files.
        title: what one line is.
        sorted_by: columns that order the lines; none where rows come in order.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    sorted_by: tuple[str, ...]

    @property
    def dtypes(self) -> Mapping[str, Any]:
        """The polars data type of each column."""
        return {column.name: column.dtype for column in self.columns}

    def frame(self, rows: Iterable[Sequence[object]]) -> pl.DataFrame:
        """Return rows (cells in order of the columns) as a sorted frame."""
        frame = pl.DataFrame(list(rows), schema=self.dtypes, orient="row")
        return frame.sort(self.sorted_by, nulls_last=False) if self.sorted_by else frame

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema (draft 2020-12) of one line as JSON."""
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:rowcall:{self.name}",
            "title": f"One line of {self.name}.jsonl: {self.title}",
            **_object(self.columns),
        }

    def reference(self) -> str:
        """Return every column with type and meaning, as a Markdown table."""
        lines = ((f"`{one.name}`", one.type_words, one.words) for one in self.columns)
        return wording.table(("column", "type", "meaning"), lines)


def _object(fields: Sequence[Column]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {field.name: field.schema() for field in fields},
        "required": [field.name for field in fields],
        "additionalProperties": False,
    }


# Where a thing is, as every table has it.
PLACE = (
    Column("baghouse", Kind.TEXT, "id in the site file"),
    Column("compartment", Kind.WHOLE, "from 1", null="the whole baghouse"),
    Column("row", Kind.WHOLE, "from 1", null="all rows, or only the place is known"),
    Column("place", Kind.WHOLE, "in the pulse sequence, from 1", null="the row is known, or all"),
)
