"""Settings that change what facts mean: old facts stay out of trends until days are judged anew."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from helpers.nights.night_runs import names, night, tree
from helpers.nights.small_plant import DAYS, MORNING

from rowcall.cli import main
from rowcall.errors import RowcallError
from rowcall.runs.rejudge import run_rejudge
from rowcall.runs.result import RunResult
from rowcall.site_file import read_site


def rejudge(plant: Path, first: date, last: date = date.max) -> RunResult:
    return run_rejudge(
        read_site(plant / "site.toml"),
        first=first,
        last=last,
        now=MORNING,
        wait_s=0.0,
        progress=lambda text: None,
    )


def head(plant: Path, day: date) -> str:
    text = (plant / "reports" / f"{day}" / f"rowcall-{day}.md").read_text(encoding="utf-8")
    return " ".join(re.split(r"\n## (?!What to do)", text)[0].split())


def facts(plant: Path, name: str = "residual_dp_pa") -> list[float]:
    with duckdb.connect(str(plant / "rowcall.duckdb"), read_only=True) as store:
        rows = store.execute("SELECT value FROM facts WHERE name = ? ORDER BY day", [name])
        return [value for (value,) in rows.fetchall()]


def rescale(plant: Path) -> None:
    """Correct the unit of DP, which the site file had wrong by a factor of two."""
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    at = text.index('role = "dp"')
    unit = text.index("unit = ", at)
    end = text.index("\n", unit)
    site.write_text(text[:unit] + text[unit:end] + "\nscale = 0.5" + text[end:], encoding="utf-8")


@pytest.fixture
def corrected(rescaled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(rescaled, tmp_path / "plant"))


@pytest.fixture(scope="module")
def rescaled(
    made: Path, judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return a plant with two days judged before, and one after its DP was rescaled."""
    plant = judged(tmp_path_factory.mktemp("rescaled") / "plant", 2)
    rescale(plant)
    export = sorted((made / "inbox").iterdir())[2]
    (plant / "inbox" / export.name).write_bytes(export.read_bytes())
    assert names(night(plant)) == [DAYS[2].isoformat()]
    return plant


def test_facts_of_another_meaning_are_left_out_and_said(corrected: Path) -> None:
    said = head(corrected, DAYS[2])
    assert "Settings of Test filter changed:" in said
    assert "dp of the whole baghouse: scale 1.0 became 0.5" in said
    assert "2 earlier days judged with the old settings are not compared" in said
    assert f"`rowcall rejudge --from {DAYS[0]}`" in said


def test_days_judged_anew_are_compared_again(corrected: Path) -> None:
    before = facts(corrected)
    done = rejudge(corrected, DAYS[0])
    assert names(done) == [day.isoformat() for day in DAYS]
    after = facts(corrected)
    assert after[:2] == pytest.approx([value / 2 for value in before[:2]])
    assert after[2] == pytest.approx(before[2])
    said = head(corrected, DAYS[0])
    assert "**Revision 2:** the settings have changed since the report before" in said
    assert "Settings of" not in head(corrected, DAYS[2])
    assert night(corrected).reports == []
    rejudge(corrected, DAYS[0], DAYS[0])
    assert "**Revision 3:** the day was judged again on request" in head(corrected, DAYS[0])


def test_a_range_is_judged_anew_and_nothing_else(corrected: Path) -> None:
    kept = tree(corrected / "reports" / DAYS[2].isoformat())
    assert (
        main(
            [
                "rejudge",
                "--site",
                str(corrected / "site.toml"),
                "--from",
                f"{DAYS[1]}",
                "--to",
                f"{DAYS[1]}",
            ]
        )
        == 0
    )
    assert tree(corrected / "reports" / DAYS[2].isoformat()) == kept
    assert "Revision" not in head(corrected, DAYS[0])
    with pytest.raises(RowcallError, match="No day from 2030-01-01 to 9999"):
        rejudge(corrected, date(2030, 1, 1))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "Test filter"', 'name = "Filter 1"'),
        ("[[baghouse]]", '[[baghouse]]\nresidual_dp_limit = "2 kPa"'),
    ],
)
def test_settings_that_facts_do_not_rest_on_leave_history_alone(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path, old: str, new: str
) -> None:
    plant = judged(tmp_path / "plant", 1)
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    assert text.count(old) == 1
    site.write_text(text.replace(old, new), encoding="utf-8")
    export = sorted((made / "inbox").iterdir())[1]
    (plant / "inbox" / export.name).write_bytes(export.read_bytes())
    night(plant)
    assert "Settings of" not in head(plant, DAYS[1])


def test_a_tag_that_changed_with_its_days_stated_keeps_its_history(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    """The site file says since when another scale holds, so the old days mean what they did."""
    plant = judged(tmp_path / "plant", 1)
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    start = text.rindex("[[baghouse.tag]]", 0, text.index('role = "dp"'))
    end = text.index("[[baghouse.tag]]", start + 1)
    table = text[start:end].rstrip("\n")
    both = f"{table}\nvalid_to = {DAYS[0]}\n\n{table}\nscale = 0.5\nvalid_from = {DAYS[1]}\n\n"
    site.write_text(text[:start] + both + text[end:], encoding="utf-8")
    export = sorted((made / "inbox").iterdir())[1]
    pl.read_parquet(export).write_parquet(plant / "inbox" / export.name)
    night(plant)
    assert "Settings of" not in head(plant, DAYS[1])
