"""What fails unexpectedly costs itself: the rest of the day and the days after it are reported."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from helpers.nights.night_runs import names, night
from helpers.nights.small_plant import DAYS, copy_plant

import rowcall
from rowcall.cli import Exit, main
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Answer, Context, Rule
from rowcall.runs import record, study
from rowcall.site import Baghouse
from rowcall_reports.markdown import write_pages

DAY_1, DAY_2, DAY_3 = (day.isoformat() for day in DAYS)
BECAUSE = "an error of rowcall, reference "


def broken(name: str, day: date) -> tuple[Rule, ...]:
    """Return the rules, one of which fails on a day after its first answer."""
    rules = {rule.name: rule for rule in load_rules()}
    sound = rules[name].judge

    def fail(context: Context) -> Iterable[Answer]:
        for answer in sound(context):
            yield answer
            if context.day.day == day:
                raise ZeroDivisionError("of the test")

    return tuple({**rules, name: replace(rules[name], judge=fail)}.values())


def findings(plant: Path, day: str) -> pl.DataFrame:
    return pl.read_parquet(plant / "reports" / day / "findings.parquet")


def head(plant: Path, day: str) -> str:
    text = (plant / "reports" / day / f"rowcall-{day}.md").read_text(encoding="utf-8")
    return re.split(r"\n## (?!What to do)", text)[0]


def with_another_setting(plant: Path) -> None:
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    site.write_text(f"rules.row_silent.min_pulses = 11\n{text}", encoding="utf-8")


def on(day: date, do: Callable[..., Any], place: Callable[..., date]) -> Callable[..., Any]:
    """Return a function that fails on one day, and does the same on the others."""

    def wrapped(*given: Any, **named: Any) -> Any:
        if place(*given) == day:
            raise ZeroDivisionError("of the test")
        return do(*given, **named)

    return wrapped


def test_a_rule_that_fails_neither_ends_the_night_nor_what_was_found_before(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = copy_plant(made, tmp_path / "plant")
    with monkeypatch.context() as patch:
        patch.setattr(record, "load_rules", lambda: broken("row_silent", DAYS[1]))
        first = night(plant)
        assert names(first) == [DAY_1, DAY_2, DAY_3]
        assert [text.partition(BECAUSE)[0] for text in first.failed] == [
            f"{DAY_2}, F1, rule row_silent: could not be judged: "
        ]
        reference = first.failed[0].partition(BECAUSE)[2].rstrip(".")
        silent = findings(plant, DAY_2).filter(pl.col("rule") == "row_silent")
        assert silent["text"].to_list() == [f"Cannot tell: {BECAUSE}{reference}."]
        assert silent["verdict"].to_list() == ["cannot tell"]
        others = findings(plant, DAY_2).filter(pl.col("rule") != "row_silent")
        assert "clear" in others["verdict"].to_list()
        assert f"rule row_silent: could not be judged: {BECAUSE}{reference}." in head(plant, DAY_2)
        assert BECAUSE not in head(plant, DAY_3)
        found = findings(plant, DAY_3).filter(
            pl.col("rule") == "row_silent", pl.col("verdict") == "found"
        )
        assert found["since"].to_list() == [DAYS[0]]
        again = night(plant)
        assert (again.reports, again.failed) == ([], [])
    assert night(plant).reports == []
    monkeypatch.setattr(rowcall, "__version__", "99.0", raising=False)
    retried = night(plant)
    assert (names(retried), retried.failed) == ([DAY_2], [])
    assert "**Revision 2:** parts of the report before had failed" in head(plant, DAY_2)
    assert "not asked became found" in head(plant, DAY_2).replace("\n", " ")
    monkeypatch.setattr(rowcall, "__version__", "99.1", raising=False)
    assert night(plant).reports == []


def test_a_baghouse_that_cannot_be_studied_leaves_the_other(
    made: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    house = text[text.index("[[baghouse]]") :]
    site.write_text(text + house.replace('"F1', '"F2'), encoding="utf-8")
    export = next((plant / "inbox").iterdir())
    frame = pl.read_parquet(export).with_columns(pl.col("tag").cast(pl.String))
    other = frame.with_columns(pl.col("tag").str.replace("F1", "F2"))
    other.write_parquet(export.with_name("F2.parquet"))

    study_span = study.study_span

    def fail(house: Baghouse, *more: Any) -> Any:
        if house.id == "F1":
            raise ZeroDivisionError("of the test")
        return study_span(house, *more)

    monkeypatch.setattr(study, "study_span", fail)
    assert main(["nightly", "--site", str(site), "--settle", "0"]) == Exit.PARTS_FAILED
    said = capsys.readouterr()
    assert (plant / "reports" / DAY_1).as_posix() in said.out.replace("\\", "/")
    trace = said.err[said.err.index(f"{DAY_1}, F1, study: could not be judged") :].splitlines()
    assert BECAUSE in trace[0]
    assert trace[1] == "Traceback (most recent call last):"
    assert "ZeroDivisionError: of the test" in trace
    table = findings(plant, DAY_1)
    of_1, of_2 = (table.filter(pl.col("baghouse") == name) for name in ("F1", "F2"))
    assert set(of_1["verdict"]) == {"cannot tell"}
    assert all(BECAUSE in text for text in of_1["text"])
    assert {"found", "clear"} <= set(of_2["verdict"])
    assert f"F1, study: could not be judged: {BECAUSE}" in head(plant, DAY_1)
    assert "There is no data" not in head(plant, DAY_1)
    assert "no usable data" not in said.err
    assert main(["nightly", "--site", str(site), "--settle", "0"]) == Exit.NOTICES  # stale


def test_a_report_that_cannot_be_composed_leaves_the_days_after_it(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=2)
    with monkeypatch.context() as patch:
        compose = on(DAYS[0], write_pages, lambda report, *_: report.day)
        patch.setattr("rowcall_reports.write.write_pages", compose)
        first = night(plant)
        assert names(first) == [DAY_2]
        (said,) = first.failed
        assert said.startswith(f"{DAY_1}, day: could not be reported: {BECAUSE}")
        assert not (plant / "reports" / DAY_1).exists()
        assert night(plant).reports == []
        with_another_setting(plant)
        again = night(plant)
        assert (again.reports, again.failed) == ([], first.failed)
    assert night(plant).reports == []
    site = (plant / "site.toml").read_text(encoding="utf-8")
    (plant / "site.toml").write_text(site.replace("= 11", "= 12"), encoding="utf-8")
    assert names(night(plant)) == [DAY_1, DAY_2]  # the second day looks back to the first now
    assert "Revision" not in head(plant, DAY_1)


def test_a_file_for_a_day_that_failed_makes_it_due(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    with monkeypatch.context() as patch:
        patch.setattr(
            record, "write_pictured", on(DAYS[0], record.write_pictured, lambda _, r, *__: r.day)
        )
        assert len(night(plant).failed) == 1
    export = min((plant / "inbox").iterdir())
    frame = pl.read_parquet(export)
    frame.with_columns(pl.col("value") + 1e-3).write_parquet(plant / "inbox" / "late.parquet")
    assert names(night(plant)) == [DAY_1]


def test_a_rerun_goes_on_after_a_day_that_failed(
    judged: Callable[[Path, int], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = judged(tmp_path / "plant", 3)
    compose = on(DAYS[1], study.study_span, lambda house, day, *_: day)
    monkeypatch.setattr(study, "study_span", compose)
    span = ["--from", DAY_1, "--to", DAY_3]
    site, out = str(plant / "site.toml"), tmp_path / "again"
    assert main(["rerun", "--site", site, "--out", str(out), *span]) == Exit.PARTS_FAILED
    days = sorted(path.name for path in out.iterdir() if path.is_dir())
    assert days == [DAY_1, DAY_2, DAY_3]
    ranged = (out / f"range-{DAY_1}-{DAY_3}.md").read_text(encoding="utf-8")
    assert f"Parts that failed:\n\n- {DAY_2}, F1, study: could not be judged" in ranged
    last = pl.read_parquet(out / DAY_3 / "findings.parquet")
    found = last.filter(pl.col("rule") == "row_silent", pl.col("verdict") == "found")
    assert found["since"].to_list() == [DAYS[0]]
