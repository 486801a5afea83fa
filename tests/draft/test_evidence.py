"""What a draft rests on besides names: units, descriptions, bits, numbers, and what falls when."""

from __future__ import annotations

import math
import re
from datetime import timedelta
from pathlib import Path

import pytest
from helpers.exports import START

from rowcall.draft import draft_site
from rowcall.draft.tag_words import baghouse_of, place_of, row_places
from rowcall.site import Baghouse, Role
from rowcall.site_file import read_site


def drafted(folder: Path, text: str) -> tuple[tuple[Baghouse, ...], str]:
    export, site = folder / "day.csv", folder / "site.toml"
    export.write_text(text, encoding="utf-8")
    site.write_text(draft_site(export), encoding="utf-8")
    return read_site(site).baghouse, site.read_text(encoding="utf-8")


def long_export(tags: dict[str, tuple[str, str, list[str]]]) -> str:
    """Return a long export: of each tag its unit, its description and a value a second."""
    lines = ["tag,description,unit,time,value"]
    for name, (unit, description, values) in tags.items():
        for second, value in enumerate(values):
            stamp = f"{START + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ}"
            lines.append(f"{name},{description},{unit},{stamp},{value}")
    return "\n".join(lines)


def swinging(middle: float) -> list[str]:
    return [f"{middle * (1 + 0.05 * math.sin(second)):.4g}" for second in range(40)]


def bit(on: str = "1", off: str = "0") -> list[str]:
    return [on if second % 10 == 3 else off for second in range(40)]


def checks_of(text: str, name: str) -> str:
    """Return the marks within the table of a tag."""
    table = next(part for part in text.split("\n\n") if f'tag = "{name}"' in part)
    return " ".join(re.findall("# CHECK.*", table))


@pytest.mark.parametrize(
    ("name", "unit", "description", "middle", "role"),
    [
        ("K1FI.DPGES", "mbar", "", 12.0, Role.DP),  # FI are letters of a flow
        ("K1FI.PT-1", "", "", 6.0, Role.HEADER_PRESSURE),
        ("K1.PDIT-1.PV", "", "", 12.0, Role.DP),
        ("K1.X1", "mbar", "", 12.0, Role.DP),
        ("K1.X1", "bar", "", 6.0, Role.HEADER_PRESSURE),
        ("K1.X1", "m3/h", "", 6e4, Role.GAS_FLOW),
        ("AT-3", "mg/m3", "", 6.0, Role.DUST_SIGNAL),
        ("DPT-9", "bar", "", 6.0, Role.HEADER_PRESSURE),  # no baghouse has a DP of 6 bar
        ("K1.X1", "", "Differential pressure", 12.0, Role.DP),
        ("K1.X1", "", "Differenzdruck Filter", 12.0, Role.DP),
        ("K1.X1", "Differential pressure", "", 12.0, Role.DP),  # in the place of units
        ("K1.X1", "bar", "Druckluftnetz", 7.0, Role.SUPPLY_PRESSURE),
        ("TT-7", "°C", "Gas temperature stack", 120.0, Role.OUTLET_TEMPERATURE),
        ("PI-2", "mbar", "Differential pressure", 12.0, Role.DP),
        ("PI-2", "", "Tube 2", 6.0, Role.HEADER_PRESSURE),
        ("PT-2", "furlong", "", 6.0, Role.HEADER_PRESSURE),  # an unknown unit says nothing
    ],
)
def test_unit_and_description_settle_what_a_name_leaves_open(
    name: str, unit: str, description: str, middle: float, role: Role, tmp_path: Path
) -> None:
    tags = {name: (unit, description, swinging(middle))}
    ((house,), text) = drafted(tmp_path, long_export(tags))
    assert {tag.tag: tag.role for tag in house.tag} == {name: role}
    assert (f'# "{description}"' in text) == bool(description)


def test_what_speaks_against_a_name_is_marked(tmp_path: Path) -> None:
    tags = {
        "FI-1": ("mbar", "", swinging(12.0)),
        "PI-2": ("bar", "Supply of air", swinging(7.0)),
        "TT-3": ("°C", "Temperature inlet", swinging(140.0)),
    }
    _, text = drafted(tmp_path, long_export(tags))
    assert "The unit speaks against its name" in checks_of(text, "FI-1")
    assert checks_of(text, "PI-2") == ""
    assert checks_of(text, "TT-3") == ""


def test_a_unit_alone_fills_only_roles_that_no_name_suggests(tmp_path: Path) -> None:
    tags = {"A1": ("mbar", "Hopper", swinging(9.0)), "PDT-2": ("mbar", "", swinging(12.0))}
    tags["A2"] = ("%", "", swinging(50.0))  # shares may be of anything
    ((house,), text) = drafted(tmp_path, long_export(tags))
    assert [tag.tag for tag in house.tag] == ["PDT-2"]
    assert '#   "A1" in "mbar": "Hopper"' in text
    assert '#   "A2" in "%"' in text


@pytest.mark.parametrize("words", [("1", "0"), ("OPEN", "CLOSED"), ("true", "false")])
def test_a_bit_is_no_pressure(words: tuple[str, str], tmp_path: Path) -> None:
    tags = {f"Header valve {row}": ("", "", bit(*words)) for row in range(1, 4)}
    ((house,), _) = drafted(tmp_path, long_export(tags))
    assert [(tag.role, tag.row) for tag in house.tag] == [
        (Role.ROW_SOLENOID, row) for row in range(1, 4)
    ]


@pytest.mark.parametrize(("width", "count"), [(2, 24), (1, 9), (1, 12), (3, 24)])
def test_numbers_that_count_up_are_those_of_the_rows(
    width: int, count: int, tmp_path: Path
) -> None:
    tags = {f"SV_{row:0{width}d}": ("", "", bit()) for row in range(1, count + 1)}
    ((house,), text) = drafted(tmp_path, long_export(tags))
    assert house.rows == (count,)
    assert {tag.tag: tag.row for tag in house.tag} == {
        name: row for row, name in enumerate(tags, start=1)
    }
    assert f'tag = "SV_{{row:0{width}d}}"' in text
    assert "right compartment and row" not in text


def test_two_numbers_are_compartment_and_row() -> None:
    names = [f"K1_SV{c}-{r}" for c in (1, 2) for r in (1, 2, 3)]
    assert row_places(names) == (
        {name: (1 + n // 3, 1 + n % 3) for n, name in enumerate(names)},
        True,
    )
    assert row_places(["SV_1", "SV_3"])[1] is False
    assert row_places(["SV_1", "MV_2"])[1] is False


def test_a_series_of_bits_is_taken_for_the_rows_and_marked(tmp_path: Path) -> None:
    tags = {f"A{row}": ("", "", bit()) for row in range(1, 7)}
    tags |= {"B1": ("", "", bit()), "B2": ("", "", bit()), "N9": ("", "", swinging(7.0))}
    ((house,), text) = drafted(tmp_path, long_export(tags))
    assert [tag.tag for tag in house.tag] == [f"A{row}" for row in range(1, 7)]
    assert text.count("is this the valve of a row?") == 6
    assert '#   "B1"' in text


def test_bits_with_a_gap_in_their_numbers_are_no_rows(tmp_path: Path) -> None:
    tags = {f"A{number}": ("", "", bit()) for number in (1, 2, 4, 5, 6)}
    ((house,), _) = drafted(tmp_path, long_export(tags))
    assert house.tag == ()


def cleaning(
    headers: dict[str, range],
    names: list[str],
    supply: str = "",
    seconds: int = 1200,
    unit: str = "",
) -> str:
    """Return a wide export: every 10 s the next bit is 1, and its header falls and recovers."""
    lines = ["time," + ",".join([*names, *headers, *([supply] if supply else []), "W"])]
    lines += ["," * len(names) + "," + ",".join(unit for _ in headers) + ","] if unit else []
    levels = dict.fromkeys([*headers, supply], 6.0)
    for second in range(seconds):
        row = second // 10 % len(names)
        is_pulse = second % 10 == 4
        levels = {name: level + (6.0 - level) / 3 for name, level in levels.items()}
        for header in (name for name, rows in headers.items() if is_pulse and row in rows):
            levels[header] -= 0.6
            levels[supply] -= 0.1
        bits = [str(int(is_pulse and place == row)) for place in range(len(names))]
        noise = 0.002 * math.sin(37.0 * second)
        values = [f"{level + noise:.3f}" for name, level in levels.items() if name]
        stamp = f"{START + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ}"
        lines.append(",".join([stamp, *bits, *values, f"{3 + math.sin(second / 7):.3f}"]))
    return "\n".join(lines)


def test_what_falls_at_each_bit_is_the_header_of_its_compartment(tmp_path: Path) -> None:
    names = [f"SV{c}_{r:02d}" for c in (1, 2) for r in range(1, 5)]
    text = cleaning({"A": range(4, 8), "B": range(4)}, names, supply="C")
    ((house,), draft) = drafted(tmp_path, text)
    headers = {tag.tag: tag.compartment for tag in house.tag if tag.role is Role.HEADER_PRESSURE}
    assert headers == {"A": 2, "B": 1}
    assert "It falls right at the pulses" in checks_of(draft, "A")
    for name in ("C", "W"):  # a supply falls at the pulses of both, and the last at none
        assert f'#   "{name}"' in draft


def test_unit_and_falls_together_suffice_for_a_header(tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 5)]
    ((house,), draft) = drafted(tmp_path, cleaning({"FI.A": range(4)}, names, unit="bar"))
    assert house.tag[0].role is Role.HEADER_PRESSURE
    assert checks_of(draft, "FI.A") == ""


@pytest.mark.parametrize(("seconds", "interval"), [(300, 10.0), (100, 20.0)])
def test_the_interval_is_that_of_the_bits_where_they_are_pulsed_often(
    seconds: int, interval: float, tmp_path: Path
) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 5)]
    ((house,), draft) = drafted(tmp_path, cleaning({"PT-8": range(4)}, names, seconds=seconds))
    assert house.cleaning.interval == interval
    assert ("the usual one of the bits" in draft) == (interval == 10.0)


def test_bits_quicker_than_any_row_give_no_interval(tmp_path: Path) -> None:
    lines = ["tag,time,value"]
    for number in range(60):
        stamp = f"{START + timedelta(milliseconds=100 * number):%Y-%m-%dT%H:%M:%S.%fZ}"
        lines += [f"SV_{row},{stamp},{int(number % 2 == row - 1)}" for row in (1, 2)]
    ((house,), _) = drafted(tmp_path, "\n".join(lines))
    assert house.cleaning.interval == 20.0


def test_a_header_that_its_name_shows_needs_no_check_of_its_compartment(tmp_path: Path) -> None:
    names = [f"SV{c}_{r:02d}" for c in (1, 2) for r in range(1, 5)]
    ((house,), text) = drafted(tmp_path, cleaning({"PT-8": range(4, 8), "PT-9": range(4)}, names))
    assert {tag.tag: tag.compartment for tag in house.tag if tag.row is None} == {
        "PT-8": 2,
        "PT-9": 1,
    }
    assert "right compartment?" not in text


def test_one_header_of_all_compartments_needs_no_check(tmp_path: Path) -> None:
    names = [f"SV{c}_{r:02d}" for c in (1, 2) for r in range(1, 5)]
    ((house,), text) = drafted(tmp_path, cleaning({"PT-8": range(8)}, names))
    assert house.tag[0].compartment is None
    assert "one for all compartments?" not in text


def test_rows_counted_through_are_split_by_their_headers_and_marked(tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 9)]
    text = cleaning({"PT-8": range(5, 8), "PT-9": range(5)}, names)
    ((house,), draft) = drafted(tmp_path, text)
    assert house.rows == (5, 3)
    places = {tag.tag: (tag.compartment, tag.row) for tag in house.tag}
    assert places["SV_05"] == (1, 5)
    assert places["SV_06"] == (2, 1)
    assert (places["PT-9"], places["PT-8"]) == ((1, None), (2, None))
    assert "By the header that falls at its pulses" in checks_of(draft, "SV_06")


def test_a_row_without_a_pressure_drop_stays_with_its_header(tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 9)]
    text = cleaning({"PT-8": range(5, 8), "PT-9": range(4)}, names)  # SV_05 is silent
    ((house,), _) = drafted(tmp_path, text)
    assert house.rows == (5, 3)


def test_bits_that_no_header_follows_are_of_the_only_other_one(tmp_path: Path) -> None:
    """A header sampled too slowly shows no drop at a pulse."""
    names = [f"SV_{number:02d}" for number in range(1, 13)]
    text = cleaning({"PT-8": range(0), "PT-9": range(7, 12)}, names)
    ((house,), draft) = drafted(tmp_path, text)
    assert house.rows == (7, 5)
    headers = {tag.tag: tag.compartment for tag in house.tag if tag.row is None}
    assert headers == {"PT-8": 1, "PT-9": 2}
    assert "right compartment?" in checks_of(draft, "PT-8")
    assert "rows_per_compartment = [7, 5]  # CHECK" in draft


def test_a_header_that_follows_some_rows_only_is_marked(tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 13)]
    none = range(0)
    text = cleaning({"PT-7": none, "PT-8": none, "PT-9": range(7, 12)}, names)
    ((house,), draft) = drafted(tmp_path, text)
    assert "right compartment?" in checks_of(draft, "PT-9")
    assert "compartments = 3  # CHECK" in draft
    assert [tag.row for tag in house.tag if tag.row] == list(range(1, 13))


@pytest.mark.parametrize("second", [range(3, 8), range(8)])
def test_headers_that_share_rows_do_not_split_them(second: range, tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 9)]
    first = range(5) if second.start else range(8)
    ((house,), _) = drafted(tmp_path, cleaning({"PT-8": first, "PT-9": second}, names))
    assert [(tag.compartment, tag.row) for tag in house.tag if tag.row] == [
        (1, row) for row in range(1, 9)
    ]


def test_two_pulses_of_a_bit_are_too_few_to_follow(tmp_path: Path) -> None:
    names = [f"SV{c}_{r:02d}" for c in (1, 2) for r in range(1, 7)]
    headers = {"A": range(6, 12), "B": range(6)}
    for seconds, count in ((240, 0), (360, 2)):
        ((house,), _) = drafted(tmp_path, cleaning(headers, names, seconds=seconds))
        assert sum(tag.role is Role.HEADER_PRESSURE for tag in house.tag) == count


def test_more_headers_than_compartments_of_the_rows_are_marked(tmp_path: Path) -> None:
    names = [f"SV_{number:02d}" for number in range(1, 5)]
    text = cleaning({"PT-8": range(0), "PT-9": range(0), "PT-10": range(0)}, names, seconds=60)
    _, draft = drafted(tmp_path, text)
    assert "rows_per_compartment = 4  # CHECK" in draft


@pytest.mark.parametrize("form", ["BH-{} DP", "Plant1_BH-{}_DP", "DP of BH-{}", "K.BAGHOUSE {}.DP"])
def test_two_baghouses_by_their_names(form: str, tmp_path: Path) -> None:
    tags = {form.format(house): ("mbar", "", swinging(12.0)) for house in (3, 4)}
    houses, _ = drafted(tmp_path, long_export(tags))
    assert [house.id[-1] for house in houses] == ["3", "4"]
    assert [tag.role for house in houses for tag in house.tag] == [Role.DP, Role.DP]


def test_what_names_a_baghouse_is_no_compartment_or_row() -> None:
    assert baghouse_of("Plant_BH-3_row 5") == "BH-3"
    assert place_of("Plant_BH-3_row 5") == (None, 5)
    assert baghouse_of("oil filter 7 dp") == ""
    assert baghouse_of("VBH7") == ""
