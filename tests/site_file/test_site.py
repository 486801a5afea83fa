"""A valid site file: what is read, filled in, expanded and overridden."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from helpers.site_texts import FULL

from rowcall import trade
from rowcall.errors import SiteError
from rowcall.media import SOURCE
from rowcall.site import Baghouse, Cleaning, Role, Sample, Site, Tag
from rowcall.site_file import read_mail_settings, read_site


def read(folder: Path, text: str = FULL, overrides: dict[str, str] | None = None) -> Site:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return read_site(path, overrides)


def test_everything_is_kept_in_inside_units(tmp_path: Path) -> None:
    site = read(tmp_path)
    house = site.baghouse[0]
    assert house.cloth_area == pytest.approx(929.0304)
    assert house.design_flow == pytest.approx(60_000 / 3600)
    assert house.pulse_pressure == pytest.approx(85 * 6894.757)
    assert house.gas_moisture == pytest.approx(0.09)
    assert (house.cleaning.start_dp, house.cleaning.stop_dp) == pytest.approx((1200.0, 900.0))
    assert house.cleaning.interval == 10.0
    assert site.rules == {"row_silent": {"min_pulses": 30}}


def of_role(house: Baghouse, role: Role) -> list[Tag]:
    return [tag for tag in house.tag if tag.role is role]


def test_folders_start_at_the_site_file(tmp_path: Path) -> None:
    site = read(tmp_path)
    assert site.inbox == tmp_path.resolve() / "drop"
    assert site.store == tmp_path.resolve() / "data" / "rowcall.duckdb"
    assert site.reports == tmp_path.resolve() / "reports"


def test_templates_give_one_tag_a_place(tmp_path: Path) -> None:
    house = read(tmp_path).baghouse[0]
    headers = of_role(house, Role.HEADER_PRESSURE)
    assert [(tag.tag, tag.compartment, tag.row) for tag in headers] == [
        ("PT-110", 1, None),
        ("PT-120", 2, None),
    ]
    assert all(tag.sample is Sample.THINNED for tag in headers)
    bits = of_role(house, Role.ROW_SOLENOID)
    assert [(tag.tag, tag.compartment, tag.row) for tag in bits] == [
        ("YS-101", 1, 1),
        ("YS-102", 1, 2),
        ("YS-103", 1, 3),
        ("YS-201", 2, 1),
        ("YS-202", 2, 2),
    ]
    assert house.all_rows() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]


def test_a_row_template_may_be_held_to_one_compartment(tmp_path: Path) -> None:
    text = FULL.replace('tag = "YS-{compartment}{row:02d}"', 'tag = "YS-{row}"\ncompartment = 2')
    bits = of_role(read(tmp_path, text).baghouse[0], Role.ROW_SOLENOID)
    assert [(tag.tag, tag.compartment, tag.row) for tag in bits] == [
        ("YS-1", 2, 1),
        ("YS-2", 2, 2),
    ]


def test_a_tag_may_be_renamed_and_rescaled_from_a_day_on(tmp_path: Path) -> None:
    renamed = (
        '\n[[baghouse.tag]]\nrole = "supply_pressure"\ntag = "OLD"\nunit = "bar"\n'
        "valid_to = 2026-02-28\n"
        '\n[[baghouse.tag]]\nrole = "supply_pressure"\ntag = "NEW"\nunit = "kPa"\n'
        "scale = 10\nvalid_from = 2026-03-01\n"
    )
    house = read(tmp_path, FULL + renamed).baghouse[0]
    for day, name in ((date(2026, 2, 28), "OLD"), (date(2026, 3, 1), "NEW")):
        valid = of_role(house.on(day), Role.SUPPLY_PRESSURE)
        assert [tag.tag for tag in valid] == [name]
    with pytest.raises(SiteError, match="give each tag its own place, or days of its own"):
        read(tmp_path, FULL + renamed.replace("valid_to = 2026-02-28", "valid_to = 2026-03-01"))


def test_overrides_are_read_as_the_file_would_be(tmp_path: Path) -> None:
    site = read(
        tmp_path,
        overrides={
            "baghouse.BH1.cleaning.interval": "12 s",
            "baghouse.BH1.firing_order": "[3, 2, 1]",
            "rules.row_silent.min_pulses": "50",
            "rules.row_closes_late.late": "0.4 s",
            "plant.name": "Another works",
        },
    )
    assert site.baghouse[0].cleaning.interval == 12.0
    assert site.baghouse[0].firing_order == (3, 2, 1)
    assert site.rules == {"row_silent": {"min_pulses": 50}, "row_closes_late": {"late": "0.4 s"}}
    assert site.plant.name == "Another works"
    assert read(tmp_path).baghouse[0].cleaning.interval == 10.0


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("baghouse.BH9.cleaning.interval", "12 s", "there is no baghouse 'BH9'"),
        ("baghouse.BH1.name.short", "x", "'name' is not a table"),
        ("baghouse.BH1.cleaning.intervall", "12 s", "not known here; check the spelling"),
        ("baghouse.BH1.cleaning.interval", "12 bar", "does not fit here"),
    ],
)
def test_a_wrong_override_is_an_error(tmp_path: Path, key: str, value: str, words: str) -> None:
    with pytest.raises(SiteError) as caught:
        read(tmp_path, overrides={key: value})
    assert words in str(caught.value)


# Common practice, no source: 20 s between rows, 100 ms pulses, 4 and 3 inches of water.
def test_what_is_left_out_starts_at_the_trades_starting_points() -> None:
    house = Baghouse(
        id="BH1",
        name="Mill filter",
        compartments=1,
        rows_per_compartment=(8,),
        cleaning=Cleaning(mode="on_demand"),
    )
    assert house.pulse_time == pytest.approx(0.1)
    assert house.cleaning.interval == pytest.approx(20.0)
    assert house.cleaning.start_dp == pytest.approx(4 * 249.08891)
    assert house.cleaning.stop_dp == pytest.approx(3 * 249.08891)
    assert trade.START_DP.text == "4 [in_i'H2O]"


def test_one_number_of_rows_serves_every_compartment(tmp_path: Path) -> None:
    text = FULL.replace("[3, 2]", "3")
    assert read(tmp_path, text).baghouse[0].rows == (3, 3)


# APTI SI:412A, Lesson 4, Table 4-1: aramid 204 (218) degC.
@pytest.mark.parametrize(
    ("bags", "expected"),
    [
        ("14", [1, 1, 1, 1, 1]),
        ("[[14, 14, 7], 14]", [1, 1, 0.5, 1, 1]),
        ("[[14, 7, 14], [7, 7]]", [1, 0.5, 1, 1, 1]),  # each compared on its own header
    ],
)
def test_bags_of_a_row_give_its_expected_drop(
    tmp_path: Path, bags: str, expected: list[float]
) -> None:
    text = FULL.replace('media = "aramid"', f"bags_per_row = {bags}")
    house = read(tmp_path, text).baghouse[0]
    assert [house.expected_drop_ratio(*place) for place in house.all_rows()] == expected


def test_bags_are_compared_over_a_header_that_compartments_share(tmp_path: Path) -> None:
    text = FULL.replace('media = "aramid"', "bags_per_row = [[14, 7, 14], [7, 14]]")
    house = read(tmp_path, text.replace("PT-1{compartment}0", "PT-110")).baghouse[0]
    assert [house.expected_drop_ratio(*place) for place in house.all_rows()] == [1, 0.5, 1, 0.5, 1]


def test_limits_of_the_site_file_win_over_the_media_table(tmp_path: Path) -> None:
    listed = read(tmp_path).baghouse[0]
    assert listed.temperature_limits() == pytest.approx((204.0, 218.0), abs=0.6)
    assert listed.limit_source == SOURCE
    own = read(
        tmp_path, FULL.replace('media = "aramid"', 'media = "aramid"\ncontinuous_limit = "190 Cel"')
    ).baghouse[0]
    assert own.temperature_limits() == pytest.approx((190.0, 218.0), abs=0.6)
    assert own.limit_source == "site file"
    none = read(tmp_path, FULL.replace('media = "aramid"\n', "")).baghouse[0]
    assert none.temperature_limits() is None


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(FULL, encoding="utf-8-sig")
    assert read_site(path).plant.name == "Ondravel Lime"


def test_readers_of_mail_have_their_defaults_and_files_beside_the_site_file(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    table = (
        '[mail]\nto = "a@b.example"\nfrom = "f@b.example"\nhost = "h"\npassword_file = "secret"\n'
        '[[mail.reader]]\nto = "b@b.example"\n'
        '[[mail.reader]]\nto = "c@b.example"\nfrom_urgency = "now"\n'
    )
    path.write_text(FULL + table, encoding="utf-8")
    mail = read_site(path).mail
    assert mail is not None
    assert [reader.quiet for reader in mail.readers] == ["report", "report", "nothing"]
    assert mail.password_file == tmp_path / "secret"
    path.write_text(f"{FULL}[colours]\n{table}", encoding="utf-8")  # wrong, yet mail is readable
    settings = read_mail_settings(path)
    assert settings is not None
    assert settings.mail.to == ("a@b.example",)
    assert settings.mail.password_file == tmp_path / "secret"
