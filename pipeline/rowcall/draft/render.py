"""A first site file from one export: what the tags show is filled in, the rest marked CHECK."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rowcall import trade
from rowcall.draft.assign import Assigned, Assignment, assign_roles
from rowcall.draft.tag_facts import ExportFacts, TagFacts, export_facts
from rowcall.draft.tag_words import baghouse_of
from rowcall.draft.unit_words import unit_of, units_wanted
from rowcall.site import ROLES, Role
from rowcall.site_file import ExportSettings
from rowcall.take_in.cells.overrides import toml_value

_LAST_NUMBER = re.compile(r"(.*?)(\d+)(\D*)", re.DOTALL)
_MAX_DIGITS = 10  # that a place of a site file's names cannot have
_HEAD = """\
# Site file drafted from {file}. Every line marked CHECK was guessed or is a placeholder:
# look at each of them, correct it, and delete the mark. Until then no day is judged.
"""
_OPTIONAL = """\
# CHECK: fill in what is known; more can be found with it.
# bags_per_row = 12
# cloth_area = "1200 m2"
# media = "polyester"
# header_volume = "150 L"
# pulse_pressure = "6 bar"
# design_flow = "100000 m3/h"
"""


def draft_site(export: Path, known: ExportSettings | None = None) -> str:
    """Return the text of a site file (TOML) for the tags of one export.

    The text is valid as it stands; each guess and placeholder is marked with a CHECK comment, and
    no day is judged as long as one is.

    Args:
        known: what is known of exports already, and goes into the draft.

    Raises:
        ExportError: the export cannot be read, or holds nothing usable.
    """
    known = known or ExportSettings()
    facts = export_facts(export, known)
    houses, strays = _houses(facts.tags)
    plant, take_in = _plant(facts, known.plant), _take_in(facts, known.written)
    found = {house: assign_roles(tags) for house, tags in houses.items()}
    blocks = [_HEAD.format(file=_text(export.name)), plant, take_in, _units(found.values())]
    for house, assigned in found.items():
        blocks += _baghouse(house, assigned)
    blocks.append(_rest(strays, "Tags of no baghouse in particular"))
    return "\n".join(block for block in blocks if block)


def _houses(tags: Sequence[TagFacts]) -> tuple[dict[str, list[TagFacts]], list[TagFacts]]:
    """Return the tags of each baghouse by its id, and those that no site file can hold or place.

    Tags that name no baghouse belong to the only one there is; with several, a person decides.
    """
    houses: dict[str, list[TagFacts]] = {}
    strays = [tag for tag in tags if not _is_writable(tag.name)]
    for tag in tags:
        if tag not in strays:
            house = re.sub(r"[^A-Za-z0-9]", "", tag.equipment or baghouse_of(tag.name)).upper()
            houses.setdefault(house, []).append(tag)
    unnamed = houses.pop("", [])
    if len(houses) > 1:
        return dict(sorted(houses.items())), strays + unnamed
    house, named = next(iter(houses.items()), ("BH1", []))
    return {house: named + unnamed}, strays


def _is_writable(name: str) -> bool:
    """False for names that a site file cannot hold, or would read as a template of many tags."""
    return len(name) <= 120 and not re.search(r"\{(compartment|row)[:}]", name)


def _plant(facts: ExportFacts, known: Mapping[str, Any]) -> str:
    zone = "decides where a day begins"
    if not facts.has_offset:
        zone += "; the export's times have no offset, so they are read as local time of this zone"
    lines = {
        "name": 'name = "My plant"  # CHECK',
        "time_zone": f'time_zone = "UTC"  # CHECK: an IANA zone such as "Europe/Vienna"; {zone}',
    }
    lines |= {key: f"{key} = {toml_value(value)}" for key, value in known.items()}
    return "\n".join(["[plant]", *lines.values(), ""])


def _take_in(facts: ExportFacts, known: Mapping[str, Any]) -> str:
    lines = [f"{key} = {toml_value(value)}" for key, value in known.items()]
    lines += [
        f"{key} = {_text(value)}  # CHECK: the export leaves this open"
        for key, value in facts.take_in.items()
    ]
    return "\n".join(["[take_in]", *lines, ""]) if lines else ""


def _units(found: Iterable[Assignment]) -> str:
    wanted = units_wanted((one.role, one.tag.unit) for each in found for one in each.tags)
    lines = [f"{kind} = {_text(code)}" for kind, code in wanted.items()]
    head = "[units]  # of tables, texts and pictures: here as in the export"
    return "\n".join([head, *lines, ""]) if lines else ""


def _baghouse(house: str, found: Assignment) -> Iterator[str]:
    rows = found.rows[0] if len(set(found.rows)) == 1 else list(found.rows)
    check = "" if found.rows_are_certain else "  # CHECK"
    yield (
        "[[baghouse]]\n"
        f"id = {_text(house)}\n"
        f"name = {_text(f'Baghouse {house}')}  # CHECK\n"
        f"compartments = {len(found.rows)}{check}\n"
        f"rows_per_compartment = {rows}{check}\n"
        f"{_OPTIONAL}"
    )
    interval, seen = trade.ROW_INTERVAL.text, ""
    if found.interval_s is not None:
        interval, seen = f"{found.interval_s:.3g} s", ", here the usual one of the bits"
    yield (
        "[baghouse.cleaning]\n"
        'mode = "on_time"  # CHECK: "on_time" or "on_demand" (then also start_dp and stop_dp)\n'
        f"interval = {_text(interval)}  # CHECK: time between two rows{seen}\n"
    )
    template = _row_template(found)
    for one in found.tags:
        if template is None or one.role is not Role.ROW_SOLENOID:
            yield _tag(one)
    if template is not None:
        yield template
    yield _rest(found.rest, "Tags without a role, or whose place is taken")
    yield _missing({one.role for one in found.tags})


def _tag(one: Assigned) -> str:
    unit, is_written = unit_of(one.tag.unit, one.role, one.tag.middle)
    seen = f" (the export says {one.tag.unit!r})" if one.tag.unit and not is_written else ""
    lines = [
        f"role = {_text(one.role.value)}",
        f"tag = {_text(one.tag.name)}",
        f"unit = {_text(unit)}" + ("" if is_written else f"  # CHECK{seen}"),
        f"sample = {_text(one.tag.sample.value)}",
    ]
    if one.compartment is not None:
        lines.append(f"compartment = {one.compartment}")
    if one.row is not None:
        lines.append(f"row = {one.row}")
    if one.numbers:
        lines.append(f"numbers = {list(one.numbers)}  # CHECK: what it shows for row 1, 2, ...")
    if one.check:
        lines.insert(0, f"# CHECK: {one.check}")
    if one.tag.description:
        lines.insert(0, f"# {_text(one.tag.description)}")
    return "[[baghouse.tag]]\n" + "".join(f"{line}\n" for line in lines)


def _row_template(found: Assignment) -> str | None:
    """Write all rows' tags as one, where their names differ in `crr` or the row's number alone."""
    rows = {
        (one.compartment, one.row): one.tag for one in found.tags if one.role is Role.ROW_SOLENOID
    }
    kinds = {tag.sample.value for tag in rows.values()}
    parts = _LAST_NUMBER.fullmatch(rows[1, 1].name) if found.rows_are_certain else None
    if parts is None or len(kinds) != 1:
        return None
    head, digits, tail = parts.groups()
    places = [("the compartment, then the row in two digits", "{compartment}{row:02d}", "")]
    if len(found.rows) == 1 and len(digits) < _MAX_DIGITS:
        places.append(("its number", f"{{row:0{len(digits)}d}}", "compartment = 1\n"))
    for meaning, place, compartment in places:
        if all(
            head + place.format(compartment=c, row=r) + tail == tag.name
            for (c, r), tag in rows.items()
        ):
            return (
                f"# One tag a row: {meaning}.\n"
                "[[baghouse.tag]]\n"
                f"role = {_text(Role.ROW_SOLENOID.value)}\n"
                f"tag = {_text(head + place + tail)}\n"
                'unit = "1"\n'
                f"sample = {_text(kinds.pop())}\n"
                f"{compartment}"
            )
    return None


def _rest(tags: Sequence[TagFacts], title: str) -> str:
    if not tags:
        return ""
    shown = [
        f"#   {_text(tag.name)}"
        + (f" in {_text(tag.unit)}" if tag.unit else "")
        + (f": {_text(tag.description)}" if tag.description else "")
        for tag in tags
    ]
    return f"# CHECK: is one needed? {title}:\n" + "".join(f"{line}\n" for line in shown)


def _missing(present: set[Role]) -> str:
    """Say what is lost for want of a tag, role by role."""
    lines = [
        f"#   {role.value}: {ROLES[role].without}\n"
        for role in Role
        if ROLES[role].without and present.isdisjoint((role, *ROLES[role].instead))
    ]
    if not lines:
        return ""
    return "".join(["# Roles without a tag, and what is lost:\n", *lines])


def _text(value: str) -> str:
    """Write a basic string of TOML; its escapes are those of JSON but for the delete character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
