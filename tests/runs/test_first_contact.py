"""From an export to the first night: `look` and `new-site` with settings, and a draft's marks."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from rowcall.cli import main
from rowcall.site_file import read_site

GERMAN = "Messstelle;Zeitpunkt;Messwert\n" + "".join(
    f"BH1.PDT-1;02.03.2026 06:00:{second:02d};1,{second:02d}\n" for second in range(60)
)
SET = [
    *("--set", "take_in.tag_column=Messstelle"),
    *("--set", "take_in.value_column = Messwert"),
]


@pytest.fixture
def export(tmp_path: Path) -> Path:
    path = tmp_path / "day.csv"
    path.write_text(GERMAN, encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["look", "new-site"])
def test_a_refusal_says_where_the_setting_goes_before_there_is_a_site_file(
    command: str, export: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(export.parent)
    assert main([command, str(export)]) == 2
    assert "--set take_in.KEY=VALUE" in capsys.readouterr().err
    assert not Path("site.toml").exists()


@pytest.mark.parametrize("zone", ["plant.time_zone=Europe/Vienna", "take_in.time_zone=+01:00"])
def test_settings_are_tried_before_there_is_a_site_file(
    zone: str, export: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(export), *SET, "--set", zone]) == 0
    out = capsys.readouterr().out
    assert "tags in column 'Messstelle', values in 'Messwert'" in out
    assert "2026-03-02 06:00:59+0100" in out


@pytest.mark.parametrize(
    "begun",
    [
        '[take_in]\ntag_column = "Messstelle"\nvalue_column = "Messwert"\n',
        '[plant]\ntime_zone = "Europe/Vienna"\n[take_in]\ntag_column = "Messstelle"\n'
        'value_column = "Messwert"\nlargest_line = "512 KiB"\n',
        '[plant]\nname = "Ondravel Lime"\n[take_in]\ntag_column = "?"\n'
        'value_column = "Messwert"\n[[baghouse]]\nid = "BH1"\n',
    ],
)
def test_a_site_file_that_is_only_begun_is_read_as_far_as_it_goes(
    begun: str, export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, target = tmp_path / "begun.toml", tmp_path / "site.toml"
    site.write_text(begun, encoding="utf-8")
    more = [str(export), "--site", str(site), *(SET[:2] if "?" in begun else [])]
    assert main(["look", *more]) == 0
    assert main(["new-site", *more, "--to", str(target)]) == 0
    text = target.read_text(encoding="utf-8")
    written, given = tomllib.loads(text), tomllib.loads(begun.replace("?", "Messstelle"))
    assert written["take_in"] == given["take_in"]
    assert written["plant"] == {"name": "My plant", "time_zone": "UTC"} | given.get("plant", {})
    for key in given.get("plant", {}):
        line = next(line for line in text.splitlines() if line.startswith(f"{key} ="))
        assert "CHECK" not in line
    assert read_site(target).baghouse[0].tag[0].tag == "BH1.PDT-1"


@pytest.mark.parametrize(
    ("begun", "settings", "told"),
    [
        ("", ["take_in.tag_colum=Messstelle"], "--set: take_in.tag_colum: this key is not known"),
        ("[takein]\n", [], "begun.toml:1: takein: this key is not known"),
        ('[take_in]\nlayout = "tall"\n', [], "begun.toml:2: take_in.layout:"),
        ('[plant]\ntime_zone = "Oz"\n', [], "'Oz' is not an IANA time zone"),
        ('plant = "P"\n', [], "begun.toml:1: plant:"),
        ("", ["tag_column=Messstelle"], "--set tag_column: write it as take_in.KEY=VALUE"),
        ("", ["row_silent.min_pulses=3"], "write it as take_in.KEY=VALUE"),
        ("", ["take_in.tag_column="], "write it as take_in.KEY=VALUE"),
    ],
)
def test_a_wrong_setting_is_named(
    begun: str,
    settings: list[str],
    told: str,
    export: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    site = tmp_path / "begun.toml"
    site.write_text(begun, encoding="utf-8")
    more = [part for setting in settings for part in ("--set", setting)]
    assert main(["look", str(export), "--site", str(site), *more]) == 2
    assert told in capsys.readouterr().err


DAYS = ("--from", "2026-03-02", "--to", "2026-03-02")


@pytest.mark.parametrize("command", [("nightly",), ("rerun", *DAYS), ("rejudge", *DAYS)])
def test_a_draft_judges_no_day_until_its_marks_are_deleted(
    command: tuple[str, ...], export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    assert main(["new-site", str(export), *SET, "--to", str(site)]) == 0
    assert "delete its mark" in capsys.readouterr().out
    before = sorted(tmp_path.iterdir())
    assert main([*command, "--site", str(site)]) == 2
    told = [line.partition(" ERROR ")[2] for line in capsys.readouterr().err.splitlines()]
    lines = site.read_text(encoding="utf-8").splitlines()
    marked = [f"{site}:{n}: {line}" for n, line in enumerate(lines, 1) if "# CHECK" in line]
    assert len(marked) > 3
    assert told[:-1] == marked
    assert "delete its mark" in told[-1]
    assert sorted(tmp_path.iterdir()) == before
    assert main(["look", str(export), "--site", str(site)]) == 0


def test_only_marks_in_comments_count(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    assert main(["new-site", str(_wide(tmp_path)), "--to", str(site)]) == 0
    looked_at = [
        line.split("# CHECK")[0] + "# CHECKED by AH" if "# CHECK" in line else line
        for line in site.read_text(encoding="utf-8").splitlines()
    ]
    names = ['"Kiln # CHECK"', "'Kiln # CHECK'", '"""Kiln "# CHECK" \\""""', "'''Kiln\n# CHECK'''"]
    for name in names:
        lines = [f"name = {name}" if line.startswith("name") else line for line in looked_at]
        site.write_text("\n".join(lines), encoding="utf-8")
        assert "CHECK" in read_site(site, is_to_judge=True).plant.name


def _wide(folder: Path) -> Path:
    path = folder / "day.csv"
    path.write_text(
        "time,BH1.PDT-1\n2026-03-02T05:00:00Z,1.5\n2026-03-02T05:00:01Z,1.6\n", encoding="utf-8"
    )
    return path
