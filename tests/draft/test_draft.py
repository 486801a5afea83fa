"""A drafted site file is valid as it stands, and marks what a person has to look at."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import START

from rowcall.draft import draft_site
from rowcall.draft.tag_words import place_of, role_of, row_places
from rowcall.draft.unit_words import unit_of
from rowcall.errors import ExportError
from rowcall.site import Baghouse, Role, Sample, Site, UnitsTable
from rowcall.site_file import read_site

_FORM = "%Y-%m-%dT%H:%M:%SZ"


def _draft(folder: Path, text: str, name: str = "day.csv") -> tuple[Site, str]:
    export = folder / name
    export.write_text(text, encoding="utf-8")
    drafted = draft_site(export)
    site_file = folder / "site.toml"
    site_file.write_text(drafted, encoding="utf-8")
    return read_site(site_file), drafted


def _stamp(second: int, form: str = _FORM) -> str:
    return (START + timedelta(seconds=second)).strftime(form)


def _wide(
    columns: dict[str, tuple[str, float]], count: int = 60, form: str = "%Y-%m-%dT%H:%M:%SZ"
) -> str:
    """Return a wide export with a units line; a column's value swings by a tenth."""
    lines = ["time," + ",".join(columns), "," + ",".join(unit for unit, _ in columns.values())]
    for number in range(count):
        cells = [f"{value * (1 + 0.1 * (number % 2)):.3f}" for _, value in columns.values()]
        stamp = _stamp(number, form)
        lines.append(f"{stamp}," + ",".join(cells))
    return "\n".join(lines)


def _roles(house: Baghouse) -> dict[str, str]:
    return {tag.tag: tag.role.value for tag in house.tag}


def test_letters_and_words_suggest_the_roles(tmp_path: Path) -> None:
    names = {
        "BH1.PDT-100": ("mbar", 12.0),
        "BH1 inlet temperature": ("°C", 140.0),
        "BH1 stack temp": ("°F", 280.0),
        "BH1.PT-110": ("bar(g)", 6.0),
        "BH1.AT-103": ("%", 3.0),
        "BH1.FT-101": ("m³/h", 60_000.0),
        "BH1 fan current": ("A", 80.0),
        "BH1 totaliser": ("t", 9.0),
    }
    site, text = _draft(tmp_path, _wide(names))
    (house,) = site.baghouse
    assert house.id == "BH1"
    assert _roles(house) == {
        "BH1.PDT-100": "dp",
        "BH1 inlet temperature": "inlet_temperature",
        "BH1 stack temp": "outlet_temperature",
        "BH1.PT-110": "header_pressure",
        "BH1.AT-103": "opacity",
        "BH1.FT-101": "gas_flow",
        "BH1 fan current": "fan_signal",
    }
    units = {tag.tag: tag.unit for tag in house.tag}
    assert units["BH1 stack temp"] == "[degF]"
    assert units["BH1.FT-101"] == "m3/h"
    assert '#   "BH1 totaliser" in "t"' in text
    assert all("CHECK" not in line for line in text.splitlines() if line.startswith("unit"))


def test_units_that_the_export_does_not_name_are_marked(tmp_path: Path) -> None:
    columns = {"PDT-1": ("", 900.0), "PT-2": ("furlong", 90.0)}
    site, text = _draft(tmp_path, _wide(columns))
    assert {tag.tag: tag.unit for tag in site.baghouse[0].tag} == {"PDT-1": "Pa", "PT-2": "[psi]"}
    marked = [line for line in text.splitlines() if line.startswith("unit")]
    assert all("CHECK" in line for line in marked)
    assert any("'furlong'" in line for line in marked)


US_COLUMNS = {
    "BH1.PDT-100": ("in. w.c.", 4.0),
    "BH1.PT-110": ("PSIG", 90.0),
    "BH1.TT-101": ("degF", 300.0),
    "BH1.FT-101": ("ACFM", 35_000.0),
}
US_UNITS = {
    "dp": "[in_i'H2O]",
    "pressure": "[psi]",
    "temperature": "[degF]",
    "gas_flow": "[cft_i]/min",
    "air": "[cft_i]",
}
METRIC_COLUMNS = {"PDT-1": ("kPa", 1.2), "PT-2": ("bar", 6.0), "TT-1": ("°C", 140.0)}


@pytest.mark.parametrize(
    ("columns", "units"),
    [
        (US_COLUMNS, US_UNITS),
        (METRIC_COLUMNS, {}),
        ({"PDT-1": ("hPa", 12.0), "PT-2": ("kPa", 600.0)}, {"dp": "mbar", "pressure": "kPa"}),
        ({"PDT-1": ("mmWC", 120.0), "PT-2": ("", 90.0)}, {}),  # not offered; a guess
    ],
)
def test_reports_follow_the_units_of_the_export(
    tmp_path: Path, columns: dict[str, tuple[str, float]], units: dict[str, str]
) -> None:
    site, text = _draft(tmp_path, _wide(columns))
    assert site.units == UnitsTable.model_validate(units)
    assert ("[units]" in text) == bool(units)


def test_row_tags_become_one_template(tmp_path: Path) -> None:
    lines = ["tag,time,value"]
    for name in [f"BH2.YS-{c}{r:02d}" for c in (1, 2) for r in range(1, 12)]:
        for second in (0, 7, 19, 44):
            lines.append(f"{name},{_stamp(second)},{second % 2}")
    site, text = _draft(tmp_path, "\n".join(lines))
    (house,) = site.baghouse
    assert 'tag = "BH2.YS-{compartment}{row:02d}"' in text
    assert house.rows == (11, 11)
    assert {(tag.compartment, tag.row) for tag in house.tag} == set(house.all_rows())
    assert {tag.sample for tag in house.tag} == {Sample.ON_CHANGE}


def test_rows_without_a_pattern_are_counted_and_marked(tmp_path: Path) -> None:
    columns = {f"valve {letter}": ("", 1.0) for letter in "ABC"}
    site, text = _draft(tmp_path, _wide(columns))
    assert [tag.row for tag in site.baghouse[0].tag] == [1, 2, 3]
    assert text.count("right compartment and row?") == 3
    assert "rows_per_compartment = 3  # CHECK" in text


def test_a_step_counter_gives_the_number_of_rows(tmp_path: Path) -> None:
    lines = ["time,YI-12"]
    lines += [f"{_stamp(n)},{1 + n % 9}" for n in range(40)]
    site, _ = _draft(tmp_path, "\n".join(lines))
    assert site.baghouse[0].rows == (9,)


@pytest.mark.parametrize(
    ("shown", "rows", "numbers"),
    [
        ([101, 102, 103, 201, 202], (3, 2), (101, 102, 103, 201, 202)),
        ([0, 1, 2, 3], (4,), (0, 1, 2, 3)),  # counted from 0
        ([1, 2, 4, 5], (5,), None),  # a row that is not pulsed
        ([310, 320, 330], (3,), (310, 320, 330)),
    ],
)
def test_the_numbers_of_a_step_counter_are_drafted(
    tmp_path: Path, shown: list[int], rows: tuple[int, ...], numbers: tuple[int, ...] | None
) -> None:
    lines = ["time,YI-12", *(f"{_stamp(n)},{shown[n // 2 % len(shown)]}" for n in range(80))]
    site, text = _draft(tmp_path, "\n".join(lines))
    house = site.baghouse[0]
    assert house.rows == rows
    (counter,) = house.tag
    assert counter.numbers == numbers
    assert ("numbers = " in text) == (numbers is not None)


def test_a_counter_that_rests_at_0_does_not_count_from_0(tmp_path: Path) -> None:
    steps = [0] * 30 + [1, 1, 2, 2, 3, 3] * 2
    lines = ["time,YI-12", *(f"{_stamp(n)},{number}" for n, number in enumerate(steps * 3))]
    site, _ = _draft(tmp_path, "\n".join(lines))
    assert site.baghouse[0].rows == (3,)
    assert site.baghouse[0].tag[0].numbers is None


def test_counters_that_go_on_from_one_another_are_drafted(tmp_path: Path) -> None:
    lines = ["time,YI-C1,YI-C2"]
    lines += [f"{_stamp(n)},{1 + n % 4},{5 + n % 3}" for n in range(40)]
    site, _ = _draft(tmp_path, "\n".join(lines))
    assert site.baghouse[0].rows == (4, 3)
    assert [tag.numbers for tag in site.baghouse[0].tag] == [None, (5, 6, 7)]


def test_the_steadiest_of_two_pressures_is_the_supply(tmp_path: Path) -> None:
    lines = ["time,PT-1,PT-2,ZS-1"]
    lines += [f"{_stamp(n)},7.0,{6 - n % 3},1" for n in range(40)]
    site, text = _draft(tmp_path, "\n".join(lines))
    roles = _roles(site.baghouse[0])
    assert (roles["PT-1"], roles["PT-2"]) == ("supply_pressure", "header_pressure")
    assert "right role?" in text


def test_roles_without_a_tag_are_listed_with_what_is_lost(tmp_path: Path) -> None:
    _, text = _draft(tmp_path, _wide({"PDT-1": ("mbar", 9.0), "YI-2": ("", 1.0)}))
    missing = text[text.index("# Roles without a tag") :]
    assert "#   header_pressure: no pressure drops" in missing
    assert "#   gas_flow: residual DP is not corrected for flow" in missing
    for role in ("dp", "step_counter", "row_solenoid", "opacity"):
        assert f"#   {role}:" not in missing


def test_two_baghouses_and_a_stray(tmp_path: Path) -> None:
    columns = dict.fromkeys(("BH1 dp", "bh-2 dp", "bh2.PDT", "ambient"), ("mbar", 9.0))
    site, text = _draft(tmp_path, _wide(columns))
    assert [house.id for house in site.baghouse] == ["BH1", "BH2"]
    assert '#   "ambient"' in text
    assert '#   "bh-2 dp"' in text


def test_what_the_export_leaves_open_is_marked(tmp_path: Path) -> None:
    columns = {"dp": ("mbar", 9.0)}
    site, text = _draft(tmp_path, _wide(columns, form="%d/%m/%Y %H:%M:%S"))
    assert site.take_in.time_format == "%d/%m/%Y %H:%M:%S"
    assert "have no offset" in text
    assert 'time_zone = "UTC"  # CHECK' in text


@pytest.mark.parametrize(
    "name", ["'; DROP TABLE tags; -- dp", 'dp "\\x', "dp\x7f", "{row} dp", "名前 dp"]
)
def test_any_tag_name_gives_a_valid_file(tmp_path: Path, name: str) -> None:
    frame = pl.DataFrame({"time": [START, START + timedelta(seconds=1)], name: [9.0, 9.5]})
    path = tmp_path / "day.parquet"
    frame.write_parquet(path)
    site_file = tmp_path / "site.toml"
    site_file.write_text(draft_site(path), encoding="utf-8")
    tags = [tag.tag for tag in read_site(site_file).baghouse[0].tag]
    assert tags == ([] if "{row}" in name else [name])


def test_an_export_without_samples_gives_no_draft(tmp_path: Path) -> None:
    for text in ("", "time,dp\n", "time,dp\n2026-03-02T05:00:00Z,high\n"):
        with pytest.raises(ExportError, match=r"day\.csv"):
            _draft(tmp_path, text)
    with pytest.raises(ExportError, match="cannot be read"):
        draft_site(tmp_path / "nowhere.csv")


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("FF3_DiffPress", Role.DP),
        ("FF3_DP", Role.DP),
        ("K1.PDIT101", Role.DP),
        ("Header 2 pressure", Role.HEADER_PRESSURE),
        ("Plant air supply PT", Role.SUPPLY_PRESSURE),
        ("OutletTemp", Role.OUTLET_TEMPERATURE),
        ("TT-5", Role.INLET_TEMPERATURE),
        ("Row 7 solenoid", Role.ROW_SOLENOID),
        ("YS-107", Role.ROW_SOLENOID),
        ("Dust AT-9", Role.DUST_SIGNAL),
        ("XS-4", Role.CLEANING_ON),
        ("JT-4", Role.FAN_SIGNAL),
        ("AT-9 SO2", Role.SO2),
        ("Rauchgas_SO3", Role.SO3),
        ("AT-4 H2O", Role.GAS_MOISTURE),
        ("TT-1 ambient", Role.AMBIENT_TEMPERATURE),
        ("level", None),
    ],
)
def test_roles_of_names(name: str, role: Role | None) -> None:
    assert role_of(name) is role


def test_places_of_names() -> None:
    assert place_of("BH1 C2 row 05 valve") == (2, 5)
    assert place_of("Comp3.PT") == (3, None)
    assert place_of("PT-110") == (None, None)
    assert row_places(["C1 R1", "C1 R2"]) == ({"C1 R1": (1, 1), "C1 R2": (1, 2)}, True)
    assert row_places(["YS-101", "YS-103"])[1] is False


@pytest.mark.parametrize(
    ("written", "role", "code"),
    [
        ("in. w.c.", Role.DP, "[in_i'H2O]"),
        ("mbar", Role.DP, "mbar"),
        ("PSIG", Role.HEADER_PRESSURE, "[psi]"),
        ("degC", Role.INLET_TEMPERATURE, "Cel"),
        ("acfm", Role.GAS_FLOW, "[ft_i]3/min"),
        ("mg/m3", Role.DUST_SIGNAL, "mg/m3"),
        ("rpm", Role.FAN_SIGNAL, "{rev}/min"),
    ],
)
def test_written_units(written: str, role: Role, code: str) -> None:
    assert unit_of(written, role, 1.0) == (code, True)


def test_a_unit_of_another_quantity_is_not_taken() -> None:
    assert unit_of("bar", Role.INLET_TEMPERATURE, 140.0) == ("Cel", False)
