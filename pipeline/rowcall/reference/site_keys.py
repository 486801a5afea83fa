"""Every key of the site file, from the models that read it: how it is written, and its meaning."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic.fields import FieldInfo

from rowcall import trade
from rowcall.reference.attribute_docs import attribute_docs
from rowcall.reference.markdown_table import table
from rowcall.site import Site
from rowcall.site.toml_table import Between, Table, Written
from rowcall.units import Dimension

_TYPES: dict[object, str] = {
    bool: "`true` or `false`",
    int: "whole number",
    float: "number",
    str: "text",
    Path: "path",
    date: "date",
}
_LEFT_OUT = (None, (), date.min, date.max)


@dataclass(frozen=True, slots=True)
class Key:
    """One key: its name in the file, how it is written, its default and its meaning in Markdown."""

    name: str
    form: str
    default: str
    meaning: str


@dataclass(frozen=True, slots=True)
class KeyTable:
    """One table of the site file; `heading` as it is written, `[baghouse.cleaning]`."""

    heading: str
    about: str
    keys: tuple[Key, ...]


def tables_of(model: type[Table] = Site, path: str = "") -> Iterator[KeyTable]:
    """Yield the tables of a model, each with its keys, those within it after it."""
    docs = attribute_docs(model)
    for name, field in model.model_fields.items():
        if field.exclude:
            continue
        inner = f"{path}.{name}".removeprefix(".")
        is_list = _is_list(field.annotation)
        heading = f"[[{inner}]]" if is_list else f"[{inner}]"
        for found in _models_in(field.annotation):
            about = " ".join(f"{found.__doc__} {docs.get(name, '')}".split())
            yield KeyTable(heading, about, tuple(_keys(found)))
            yield from tables_of(found, inner)
        if model is Site and not list(_models_in(field.annotation)):
            yield KeyTable(heading, docs.get(name, ""), ())


def printed(tables: Iterable[KeyTable]) -> str:
    """Return tables of keys as Markdown, a chapter each."""
    head = ("key", "written as", "default", "meaning")
    return "\n\n".join(
        f"### `{one.heading}`\n\n{one.about}"
        + ("\n\n" + table(head, (_cells(key) for key in one.keys)) if one.keys else "")
        for one in tables
    )


def _cells(key: Key) -> Sequence[str]:
    return f"`{key.name}`", key.form, key.default, key.meaning


def _keys(model: type[Table]) -> Iterator[Key]:
    docs = attribute_docs(model)
    for name, field in model.model_fields.items():
        form = _form(field.annotation, field.metadata)
        if not field.exclude and form:
            meaning = " ".join([docs.get(name, ""), *_words_of(field.annotation)])
            yield Key(field.alias or name, form, _default(field), meaning.strip())


def _words_of(kind: object) -> Iterator[str]:
    """Yield what each allowed word means, where their class says so."""
    if isinstance(kind, type) and issubclass(kind, Enum):
        for name, text in attribute_docs(kind).items():
            yield f"`{kind[name].value}`: {text}"
    for part in get_args(kind):
        yield from _words_of(part)


def _models_in(kind: object) -> Iterator[type[Table]]:
    if isinstance(kind, type) and issubclass(kind, Table):
        yield kind
    for part in get_args(kind):
        yield from _models_in(part)


def _is_list(kind: object) -> bool:
    return get_origin(kind) is tuple or any(map(_is_list, get_args(kind)))


def _form(kind: object, notes: Sequence[object] = ()) -> str:
    """Return how a type is written, empty for tables, which have chapters of their own."""
    notes = list(_flat(notes))
    if written := next((note for note in notes if isinstance(note, Written)), None):
        return written.text
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _form(parts[0], [*notes, *parts[1:]])
    if origin in (Union, UnionType):
        return " or ".join(
            filter(None, (_form(part, notes) for part in parts if part is not NoneType))
        )
    if origin is Literal:
        return _either(parts)
    if origin is tuple:
        inner = _form(parts[0])
        return f"list: {inner}" if inner else ""
    return _plain_form(kind, notes)


def _plain_form(kind: object, notes: Sequence[object]) -> str:
    if isinstance(kind, type) and issubclass(kind, Table):
        return ""
    if isinstance(kind, type) and issubclass(kind, Enum):
        return _either(word.value for word in kind)
    dimension = next((note for note in notes if isinstance(note, Dimension)), None)
    name = dimension.name.lower().replace("_", " ") if dimension else _TYPES.get(kind, str(kind))
    between = [note for note in notes if isinstance(note, Between)]
    return ", ".join([name, *filter(None, map(_limit, between or notes))])


def _either(words: Iterable[object]) -> str:
    *others, last = [f"`{_quoted(word)}`" for word in words]
    return f"{', '.join(others)} or {last}" if others else last


def _flat(notes: Iterable[Any]) -> Iterator[object]:
    for note in notes:
        yield from _flat(note.metadata) if isinstance(note, FieldInfo) else (note,)


def _limit(note: object) -> str:
    if isinstance(note, Between):
        return f"`{note.low}` to `{note.high}`"
    words = {Ge: "at least", Gt: "more than", Le: "at most", Lt: "less than"}
    if type(note) not in words:
        return ""
    (limit,) = (getattr(note, name) for name in ("ge", "gt", "le", "lt") if hasattr(note, name))
    return f"{words[type(note)]} {limit:g}"


def _quoted(word: object) -> str:
    return '"' + str(word).replace("\t", "\\t") + '"'


def _default(field: FieldInfo) -> str:
    """Return what holds where the key is left out; empty where nothing does."""
    value, notes = field.default, list(_flat(field.metadata))
    if field.is_required():
        return "must be given"
    if field.default_factory is not None or value in _LEFT_OUT:
        return ""
    for note in notes:
        if isinstance(note, Written):
            return f"`{_quoted(note.shown(value))}`"
        if isinstance(note, Dimension):
            return f"`{_quoted(_quantity(value, note))}`"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{_quoted(value)}`" if isinstance(value, (str, Path)) else f"`{value}`"


def _quantity(value: float, dimension: Dimension) -> str:
    """Return a quantity in its inside unit, or as the trade writes it."""
    facts = (fact for fact in vars(trade).values() if isinstance(fact, trade.Fact))
    same = (fact.text for fact in facts if (fact.value, fact.dimension) == (value, dimension))
    return next(same, f"{value:.4g} {dimension.value}")
