"""Each kind of mistake in a site file: file, line, key, what was found, what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.site_texts import FULL

from rowcall.errors import SiteError
from rowcall.site.toml_lines import dotted, locate
from rowcall.site_file import read_site

TAG_1 = 'tag = "PDT-100"'


def line_of(text: str, part: str) -> int:
    """Return the 1-based line that holds `part`."""
    return next(n for n, line in enumerate(text.splitlines(), start=1) if part in line)


def error_of(folder: Path, text: str) -> str:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SiteError) as caught:
        read_site(path)
    return str(caught.value)


MAIL = '[mail]\nto = "a@b.example"\nfrom = "f@b.example"\nhost = "h"\n'
# (text in the valid file, what it is replaced by, text on the line named, key, words)
MISTAKES = [
    ("media =", "medium =", "medium =", "baghouse[1].medium", ["not known here", "spelling"]),
    (
        'unit = "mbar"',
        'unit = "mbarr"',
        'unit = "mbarr"',
        "baghouse[1].tag[1]",
        ["'mbarr' is not known", "did you mean mbar"],
    ),
    (
        'unit = "mbar"',
        'unit = "m3/h"',
        'unit = "m3/h"',
        "baghouse[1].tag[1]",
        ["does not fit here", "allowed: Pa"],
    ),
    (
        'role = "dp"',
        'role = "dpp"',
        'role = "dpp"',
        "baghouse[1].tag[1].role",
        ["found 'dpp'", "'header_pressure'"],
    ),
    (
        "Europe/Vienna",
        "Europe/Lindau",
        "[plant]",
        "plant",
        ["'Europe/Lindau' is not an IANA time zone", "Europe/Vienna"],
    ),
    (
        "[plant]",
        '[units]\ndp = "[psi]"\n[plant]',
        'dp = "[psi]"',
        "units.dp",
        ["found '[psi]'", "'kPa', 'Pa', 'mbar' or \"[in_i'H2O]\""],
    ),
    (
        "[plant]",
        '[units]\narea = "m2"\n[plant]',
        'area = "m2"',
        "units.area",
        ["not known here", "spelling"],
    ),
    (
        "[1, 3, 2]",
        "[1, 3, 3]",
        "firing_order",
        "baghouse[1].firing_order",
        ["firing_order [1, 3, 3]", "1 to 3 once"],
    ),
    (
        "[1, 3, 2]",
        "[1, 3, 2]\nwall_rows = [1, 4]",
        "wall_rows",
        "baghouse[1].wall_rows",
        ["wall_rows names row 4", "1 to 3"],
    ),
    (
        TAG_1,
        TAG_1 + "\ncompartment = 3",
        TAG_1,
        "baghouse[1].tag[1]",
        ["'PDT-100'", "compartment 3 does not exist", "1 to 2"],
    ),
    (
        'tag = "YS-{compartment}{row:02d}"',
        'tag = "YS-9"\ncompartment = 1\nrow = 4',
        "YS-9",
        "baghouse[1].tag[3]",
        ["'YS-9'", "row 4 does not exist", "1 to 3"],
    ),
    (TAG_1, TAG_1 + "\nrow = 1", TAG_1, "baghouse[1].tag[1]", ["role dp takes no row"]),
    (
        '"PT-1{compartment}0"',
        '"PT-1{compartment}0"\nunit = "bar"\n[[baghouse.tag]]\nrole = "header_pressure"\n'
        'compartment = 1\ntag = "PT-2"',
        "PT-2",
        "baghouse[1].tag[3]",
        ["'PT-2'", "already has role header_pressure"],
    ),
    (
        '"1.2 kPa"',
        '"0.9 kPa"',
        "[baghouse.cleaning]",
        "baghouse[1].cleaning",
        ["stop_dp must be below start_dp"],
    ),
    (
        'start_dp = "1.2 kPa"',
        "start_dp = 1200",
        "start_dp = 1200",
        "baghouse[1].cleaning.start_dp",
        ["the unit is missing", "found 1200", "kPa"],
    ),
    ("range = [0, 50]", "range = [50, 0]", 'role = "dp"', "baghouse[1].tag[1]", ["must rise"]),
    ("[3, 2]", "[3, 2, 1]", "[[baghouse]]", "baghouse[1]", ["[3, 2, 1]", "2 numbers"]),
    ('id = "BH1"\n', "", "[[baghouse]]", "baghouse[1].id", ["missing and must be given"]),
    ('id = "BH1"', 'id = "../x"', 'id = "../x"', "baghouse[1].id", ["found '../x'"]),
    *(
        (
            'sample = "thinned"',
            f'sample = "{former}"',
            f'sample = "{former}"',
            "baghouse[1].tag[2].sample",
            [f'write sample = "{present}" (found {former!r})'],
        )
        for former, present in (
            ("snapshot", "at intervals"),
            ("step", "on change"),
            ("compressed", "thinned"),
        )
    ),
    (
        'sample = "on change"',
        'sample = "on change"\nnumbers = [1, 2]',
        'role = "row_solenoid"',
        "baghouse[1].tag[3]",
        ["role row_solenoid takes no numbers"],
    ),
    (
        'role = "row_solenoid"\ntag = "YS-{compartment}{row:02d}"',
        'role = "step_counter"\ncompartment = 1\ntag = "YI"\nnumbers = [0, 1]',
        "numbers",
        "baghouse[1].tag[3]",
        ["tag 'YI': numbers has 2 entries for 3 rows"],
    ),
    (
        'media = "aramid"',
        "bags_per_row = [14, 14]",
        "bags_per_row",
        "baghouse[1].bags_per_row",
        ["bags_per_row holds 2 numbers for the 3 rows of compartment 1"],
    ),
    (
        'media = "aramid"',
        "bags_per_row = [[14, 14, 0], 14]",
        "bags_per_row",
        "baghouse[1].bags_per_row[1][3]",
        ["greater than or equal to 1", "found 0"],
    ),
    (
        'media = "aramid"',
        'dust_alarm = "0 mg/m3"',
        "dust_alarm",
        "baghouse[1].dust_alarm",
        ["'0 mg/m3' must be greater than 0"],
    ),
    (
        'media = "aramid"',
        'pulse_time = "100 s"',
        "pulse_time",
        "baghouse[1].pulse_time",
        ["allowed is 5 ms to 5 s", "check the unit", "found '100 s'"],
    ),
    (
        '"85 [psi]"',
        '"600 bar"',
        '"600 bar"',
        "baghouse[1].pulse_pressure",
        ["allowed is 0.1 bar to 16 bar", "found '600 bar'"],
    ),
    (
        "YS-{compartment}{row:02d}",
        "YS-{compartment}{rov}",
        "{rov}",
        "baghouse[1].tag[3]",
        ["{rov} in tag 'YS-1{rov}' stands for nothing", "{compartment} and {row}"],
    ),
    (
        '"PT-1{compartment}0"',
        '"PDT-100"\ncompartment = 1',
        '"PDT-100"\ncompartment = 1'.splitlines()[1],
        "baghouse[1].tag[2]",
        ["'PDT-100'", "already has role dp at the whole baghouse", "one of the two is wrong"],
    ),
    (
        "[rules.row_silent]",
        '[mail]\nto = ["maintenance"]\nfrom = "a@b.example"\nhost = "h"\n[rules.row_silent]',
        '"maintenance"',
        "mail.to[1]",
        ["not one mail address", "found 'maintenance'"],
    ),
    (
        "[rules.row_silent]",
        MAIL + '[[mail.reader]]\nto = "b@b.example"\nbaghouses = ["BH7"]\n[rules.row_silent]',
        'baghouses = ["BH7"]',
        "mail.reader[1].baghouses[1]",
        ["there is no baghouse 'BH7'", "allowed are BH1"],
    ),
    (
        "[rules.row_silent]",
        MAIL + '[[mail.reader]]\nto = ["A <a@b.example>"]\n[rules.row_silent]',
        'to = ["A <a@b.example>"]',
        "mail.reader[1].to",
        ["a@b.example is named in [mail] to or in another table"],
    ),
    (
        "[rules.row_silent]",
        MAIL + '[[mail.reader]]\nto = "b@b.example"\nquiet = "silence"\n[rules.row_silent]',
        'quiet = "silence"',
        "mail.reader[1].quiet",
        ["found 'silence'", "'digest'"],
    ),
    ('"on_demand"', '"often"', 'mode = "often"', "baghouse[1].cleaning.mode", ["'on_time'"]),
    ('"aramid"', '"nylon66"', 'media = "nylon66"', "baghouse[1].media", ["'polyamide'"]),
]


@pytest.mark.parametrize(
    ("old", "new", "on_line", "key", "words"), MISTAKES, ids=[row[1][:30] for row in MISTAKES]
)
def test_a_mistake_is_named_with_its_place(
    tmp_path: Path, old: str, new: str, on_line: str, key: str, words: list[str]
) -> None:
    assert FULL.count(old) == 1
    text = FULL.replace(old, new)
    message = error_of(tmp_path, text)
    first = message.splitlines()[0]
    tables = {f"{tmp_path / 'site.toml'}:{line}" for line in _lines_near(text, on_line)}
    assert first.rsplit(f": {key}: ", 1)[0] in tables, message
    assert all(word in message for word in words), message


def _lines_near(text: str, part: str) -> set[int]:
    """The line itself, or the header of the table that it stands in."""
    line = line_of(text, part)
    headers = [n for n, t in enumerate(text.splitlines()[:line], start=1) if t.startswith("[")]
    return {line, headers[-1]}


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    text = FULL.replace("media =", "medium =").replace('"9 %"', '"9 s"')
    message = error_of(tmp_path, text)
    assert "baghouse[1].medium" in message
    assert "baghouse[1].gas_moisture" in message


def test_several_mistakes_within_a_table_are_a_list(tmp_path: Path) -> None:
    text = FULL.replace("[1, 3, 2]", "[1, 3]").replace(TAG_1, TAG_1 + "\nrow = 1")
    lines = error_of(tmp_path, text).splitlines()
    assert [line.split(": ")[1] for line in lines] == [
        "baghouse[1].firing_order",
        "baghouse[1].tag[1]",
    ]


def test_a_tag_of_two_baghouses_is_a_mistake_unless_both_may_share_it(tmp_path: Path) -> None:
    house = FULL[FULL.index("[[baghouse]]") :].replace('id = "BH1"', 'id = "BH2"')
    others = {'"PT-1': '"XT-1', '"YS-': '"XS-'}
    for old, new in others.items():
        house = house.replace(old, new)
    path = tmp_path / "site.toml"
    path.write_text(FULL + "\n" + house, encoding="utf-8")
    read_site(path)  # both DP alike: one transmitter over two filters
    message = error_of(tmp_path, FULL + "\n" + house.replace('"XT-1', '"PT-1'))
    assert "baghouse[2].tag[2]: tag 'PT-110': it already has role header_pressure" in message
    assert "in baghouse BH1" in message


def test_a_mistake_in_a_template_is_told_once(tmp_path: Path) -> None:
    text = FULL.replace('"on change"', '"on chance"')
    message = error_of(tmp_path, text)
    assert len(message.splitlines()) == 1  # not once for each of the five bits
    assert f":{line_of(text, 'on chance')}: baghouse[1].tag[3].sample" in message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[plant\n", "not valid TOML"),
        ('[plant]\nname = "x"\ntime_zone = "UTC"\nbaghouse = 3\n', "not known here"),
        ('baghouse = []\n[plant]\nname = "x"\ntime_zone = "UTC"\n', "at least one [[baghouse]]"),
        (FULL.split("[folders]", maxsplit=1)[0], "this key is missing"),
    ],
)
def test_a_file_that_is_no_site_file(tmp_path: Path, text: str, words: str) -> None:
    assert words in error_of(tmp_path, text)


def test_an_alarm_level_of_another_unit_than_its_tag(tmp_path: Path) -> None:
    text = FULL.replace("media =", 'dust_alarm = "8 %"\nmedia =')
    tag = '[[baghouse.tag]]\nrole = "dust_signal"\ntag = "AT-1"\nunit = "mg/m3"\n'
    message = error_of(tmp_path, f"{text}\n{tag}")
    assert f"site.toml:{line_of(text, 'dust_alarm')}: baghouse[1].dust_alarm: " in message
    assert "cannot be compared with tag 'AT-1', which is recorded in mg/m3" in message


def test_two_baghouses_of_one_id(tmp_path: Path) -> None:
    house = FULL[FULL.index("[[baghouse]]") :]
    assert "ids ['BH1', 'BH1'] must differ" in error_of(tmp_path, FULL + "\n" + house)


def test_bytes_that_are_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(FULL.replace("Ondravel", "Öndravel").encode("latin-1"))
    with pytest.raises(SiteError, match="not UTF-8 text; save it as UTF-8"):
        read_site(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="cannot be read"):
        read_site(tmp_path / "nowhere.toml")


def test_keys_are_found_in_their_own_table() -> None:
    text = "a = 1\n[[x]]\na = 2\n[[x.y]]\na = 3\n[[x]]\n# a = 0\n[[x.y]]\n[[x.y]]\n  a = 4\n"
    assert locate(text, ("a",)) == 1
    assert locate(text, ("x", 0, "a")) == 3
    assert locate(text, ("x", 0, "y", 0, "a")) == 5
    assert locate(text, ("x", 1, "y", 1, "a")) == 10
    assert locate(text, ("x", 1, "y", 0, "a")) == 8  # not there: the table it belongs in
    assert locate(text, ("z",)) is None
    assert dotted(("x", 1, "y", 0, "a")) == "x[2].y[1].a"
