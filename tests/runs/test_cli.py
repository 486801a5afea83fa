"""The command line: help that a plant engineer understands, documented exit codes, plain errors."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
from helpers.site_texts import FULL

from rowcall.cli import Exit, main
from rowcall.diagnosis.rule_book import load_families, load_rules
from rowcall.runs.result import RunResult

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = (
    "nightly",
    "rerun",
    "demo",
    "rules",
    "schema",
    "new-site",
    "set-aside",
    "look",
    "check-store",
    "rejudge",
    "backup",
    "archive",
    "mail",
    "new-work-log",
    "check-work-log",
    "outage-sheet",
    "reference",
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_and_stands_in_the_readme(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    assert "exit codes:" in capsys.readouterr().out
    assert f"`rowcall {command}" in README


def test_help_lists_the_commands(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = re.findall(r"^    ([a-z-]+)(?: |$)", capsys.readouterr().out, flags=re.M)
    assert sorted(listed) == sorted(COMMANDS)


def test_help_has_the_meaning_of_every_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    told = dict(re.findall(r"^  (\d+)  (.+)$", capsys.readouterr().out, flags=re.M))
    assert {int(code) for code in told} == {1, *(int(code) for code in Exit)}


@pytest.mark.parametrize(
    ("notices", "unusable", "code"),
    [([], [], Exit.DONE), (["N"], ["U"], Exit.NOTICES), ([], ["U"], Exit.PARTLY_USABLE)],
)
def test_a_night_with_notices_is_no_success_to_the_service(
    notices: list[str],
    unusable: list[str],
    code: Exit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What a report says of a tag is one, so that a red service is looked at."""
    result = RunResult(notices=notices, unusable=unusable)
    monkeypatch.setattr("rowcall.runs.nightly.run_nightly", lambda *_, **__: result)
    (tmp_path / "site.toml").write_text(FULL, encoding="utf-8")
    assert main(["nightly", "--site", str(tmp_path / "site.toml")]) == code
    said = [line.split(" ", 2)[2] for line in capsys.readouterr().err.splitlines()]
    assert said == [*notices, *unusable]
    accepted = re.findall(r"^SuccessExitStatus=(.+)$", README, flags=re.M)
    assert accepted == [str(int(Exit.PARTLY_USABLE))]


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"rowcall {version('rowcall')}\n"
    written = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert version("rowcall") == written["version"]


def test_help_imports_nothing_heavy() -> None:
    """The help must answer at once, so it may not wait for the data libraries."""
    code = (
        "import sys\nfrom rowcall.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'polars', 'duckdb', 'numpy', 'matplotlib', 'pyarrow', 'scipy', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_rules_are_listed_with_thresholds_and_sources(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules"]) == 0
    out = capsys.readouterr().out
    assert "needs: ," not in out
    for family in load_families():
        assert f"Case {family.key}: {family.title}" in out
        assert all(f"cause {cause.name}: {cause.title}" in out for cause in family.causes)
    for rule in load_rules():
        assert all(f", {need.purpose}" in out for need in rule.needs)
        assert rule.title in out
        for limit in rule.thresholds:
            assert f"{rule.name}.{limit.key} = {limit.text}" in out
            assert limit.source in out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nightly", "--site", "nowhere.toml"], "nowhere.toml"),
        (["rerun", "--site", "nowhere.toml", "--from", "2026-01-01", "--to", "2026-01-02"], "read"),
        (["demo", "--days", "0"], "at least one day"),
        (["new-site", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    arguments: list[str],
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    captured = capsys.readouterr()
    assert told in captured.err
    assert "Traceback" not in captured.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("arguments", [[], ["nihtly"], ["rerun", "--from", "yesterday"]])
def test_wrong_usage_ends_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage: rowcall" in capsys.readouterr().err


def test_a_typo_in_the_site_file_stops_the_night_before_it_begins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(
        '[plant]\nname = "P"\ntime_zone = "UTC"\n\n[[baghouse]]\nid = "B"\nname = "B"\n'
        'compartments = 1\nrows_per_compartment = 4\npuls_time = "100 ms"\n'
        '[baghouse.cleaning]\nmode = "on_time"\n',
        encoding="utf-8",
    )
    assert main(["nightly", "--site", str(site)]) == 2
    assert f"{site}:10: baghouse[1].puls_time: this key is not known" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["site.toml"]


def test_the_demo_does_not_write_into_a_used_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    assert main(["demo", "--folder", str(tmp_path)]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_mistakes_of_a_site_file_are_printed_line_by_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(FULL.replace("media =", "medium =").replace('"9 %"', '"9 s"'), encoding="utf-8")
    assert main(["nightly", "--site", str(site)]) == Exit.NOT_DONE
    assert [line.split(": ")[1] for line in capsys.readouterr().err.splitlines()] == [
        "baghouse[1].gas_moisture",
        "baghouse[1].medium",
    ]
