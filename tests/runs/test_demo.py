"""The demo against its own truth file: every seeded fault found, nothing found on healthy days.

The truth is the simulator's, written before rowcall sees a sample.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from rowcall.cli import main
from rowcall.diagnosis.rule_book import load_rules

pytestmark = pytest.mark.finds_each_time  # no other test studies these days

# Rules that the demo's plant gives no cause for: its pulses are as they should be, its cloth shows
# in residual DP already, each filter starts once, and its site file gives no limits of dust.
WITHOUT_A_SEED = {
    *("blinding", "short_interval", "pulse_pressure", "cleaning_never_rests"),
    *("under_cleaning", "over_cleaning", "pulsing_at_wrong_time", "unusual_starts"),
    *("tag_stuck", "dp_tap_plugged", "tags_disagree", "tags_swapped", "headers_swapped"),
    *("dust_level_raised", "leaking_compartment", "opacity_above_limit", "dust_alarm_time"),
    *("dp_fell", "compartments_differ", "cold_compartment", "in_leakage"),
}


@dataclass(frozen=True)
class Demo:
    """A finished demo: its folder, its truth and all findings of all reports."""

    folder: Path
    truth: dict[str, Any]
    findings: pl.DataFrame

    @property
    def to_find(self) -> list[dict[str, Any]]:
        """Seeded faults that a rule in force looks for, but what is so on purpose."""
        in_force = {rule.name for rule in load_rules()}
        return [
            fault
            for fault in self.truth["faults"]
            if fault["rule"] in in_force and not fault["on_purpose"]
        ]

    def at_place(self, fault: dict[str, Any], rule: str) -> pl.DataFrame:
        """Return the answers of a rule at a fault's place on the days that the fault fills."""
        return self.findings.filter(
            (pl.col("baghouse") == fault["baghouse"])
            & (pl.col("rule") == rule)
            & pl.col("compartment").eq_missing(fault["compartment"])
            & pl.col("row").eq_missing(fault["row"])
            & pl.col("date").is_between(
                pl.lit(fault["first_full_day"]).str.to_date(),
                pl.lit(fault["last_full_day"]).str.to_date(),
            )
        ).sort("date")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo") / "plant"
    assert main(["demo", "--folder", str(folder), "--workers", "1"]) == 0
    reports = sorted((folder / "reports").glob("*-*-*"))
    findings = pl.concat([pl.read_parquet(report / "findings.parquet") for report in reports])
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return Demo(folder, truth, findings)


def _found(demo: Demo, baghouse: str, day: str) -> pl.DataFrame:
    return demo.findings.filter(
        (pl.col("verdict") == "found")
        & (pl.col("baghouse") == baghouse)
        & (pl.col("date") == pl.lit(day).str.to_date())
    )


def test_every_fault_is_found_on_its_first_full_day_at_its_place(demo: Demo) -> None:
    rules = {rule.name for rule in load_rules()} - WITHOUT_A_SEED
    assert {fault["rule"] for fault in demo.to_find} == rules
    for fault in demo.to_find:
        found = _found(demo, fault["baghouse"], fault["first_full_day"])
        places = found.filter(pl.col("rule") == fault["rule"]).select("compartment", "row").rows()
        assert (fault["compartment"], fault["row"]) in places, fault


def test_a_lasting_fault_is_found_on_each_of_its_full_days(demo: Demo) -> None:
    for fault in demo.to_find:
        here = demo.at_place(fault, fault["rule"])
        first, last = (date.fromisoformat(fault[f"{end}_full_day"]) for end in ("first", "last"))
        assert here["verdict"].to_list() == ["found"] * ((last - first).days + 1), fault


def test_only_faults_without_a_rule_in_force_go_without_a_verdict(demo: Demo) -> None:
    others = [fault for fault in demo.truth["faults"] if fault not in demo.to_find]
    assert {fault["rule"] for fault in others if not fault["on_purpose"]} <= {None}


def test_a_row_that_only_begins_to_fade_is_not_named_yet(demo: Demo) -> None:
    """Seeded: its drop goes from the usual to half of it by steps; the mild ones have no rule."""
    mild = [fault for fault in demo.truth["faults"] if fault["rule"] is None]
    assert len(mild) == 2
    for fault in mild:
        here = demo.at_place(fault, "row_weak")
        assert here.height >= 3
        assert set(here["verdict"]) == {"clear"}, fault


def test_a_row_that_grows_faint_is_sized_each_day(demo: Demo) -> None:
    """At 5 s between samples; peers differ by 3 %, and on six mornings the plant air is short."""
    steps = [
        fault
        for fault in demo.truth["faults"]
        if (fault["baghouse"], fault["compartment"], fault["row"]) == ("BH1", 1, 10)
    ]
    shares = [float(re.findall(r"drop is (0\.\d+)", fault["detail"])[0]) for fault in steps]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) == 5
    for fault, share in zip(steps, shares, strict=True):
        for values in demo.at_place(fault, "row_weak")["values"]:
            sized = next(value["value"] for value in values if value["name"] == "drop_ratio")
            assert sized == pytest.approx(share, abs=0.1), fault


def test_nothing_is_found_on_healthy_days(demo: Demo) -> None:
    n_healthy = 0
    for baghouse, days in demo.truth["healthy_days"].items():
        for day in days:
            assert _found(demo, baghouse, day).height == 0, (baghouse, day)
            n_healthy += 1
    assert n_healthy >= 16


def test_nothing_is_found_that_was_not_seeded(demo: Demo) -> None:
    """Neither elsewhere nor on a day that the fault does not touch, repairs before it included."""
    touched = {
        (fault["baghouse"], fault["rule"], fault["compartment"], fault["row"], day)
        for fault in demo.to_find
        for day in _touched(fault)
    }
    found = demo.findings.filter(pl.col("verdict") == "found")
    named = set(found.select("baghouse", "rule", "compartment", "row", "date").rows())
    assert named <= touched


def _touched(fault: dict[str, Any]) -> list[date]:
    """Return the plant-local days that a fault touches."""
    first, last = _local(fault["start"]), date.fromisoformat(fault["last_full_day"])
    last = last if fault["end"] is None else _local(fault["end"])
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


def _local(instant: str) -> date:
    return datetime.fromisoformat(instant).astimezone(ZoneInfo("Europe/Vienna")).date()


def test_a_repair_shows_on_the_day_after_it_or_does_not(demo: Demo) -> None:
    """Rows and plant air; what a header loses is known again when its usual level is."""
    mended = [fault for fault in demo.to_find if fault["mended_by"]]
    assert len(mended) == 6
    for fault in (one for one in mended if one["rule"] != "header_leak"):
        last = _local(fault["end"])
        after = demo.at_place(
            fault
            | {
                "first_full_day": str(last + timedelta(days=1)),
                "last_full_day": str(last + timedelta(days=3)),
            },
            fault["rule"],
        )
        n_days = min(3, (max(demo.findings["date"].to_list()) - last).days)
        assert n_days >= 1
        assert after["verdict"].to_list() == ["clear"] * n_days, fault
    (in_vain,) = (case for case in demo.truth["cases"] if case["check"] == "contradicted")
    weak = demo.at_place(in_vain, "row_weak")
    assert set(weak["verdict"]) == {"found"}
    assert weak["date"].max() == date.fromisoformat(in_vain["last_full_day"])


def test_a_row_off_on_purpose_is_no_finding(demo: Demo) -> None:
    (off,) = (fault for fault in demo.truth["faults"] if fault["on_purpose"])
    here = demo.at_place(off, "row_not_pulsed")
    assert set(here["verdict"]) == {"clear"}
    assert here["text"].str.contains("on purpose").all()


def test_the_cold_start_shows_in_the_report_of_its_day(demo: Demo) -> None:
    """Seeded: BH2 starts at 05:40 after a night and warms as 1 - exp(-t / 2400 s).

    From 15 towards 84 degC that is 17 min up to 39 degC, the dew point of 7 % water vapour.
    """
    mill = (demo.folder / "reports/2026-03-05/baghouse-BH2.md").read_text(encoding="utf-8")
    assert re.search(r"\| Starts +\| +1 \|", mill)
    cold = re.findall(r"\| Gas below the water dew point +\| +(\d+) min", mill)
    assert int(cold[-1]) == pytest.approx(17, abs=3)


def test_every_subject_has_a_verdict_every_day(demo: Demo) -> None:
    """24 + 10 rows for each row rule; nothing is passed over in silence."""
    per_day = (
        demo.findings.filter(pl.col("rule").is_in(["row_silent", "row_weak", "row_closes_late"]))
        .group_by("date", "rule", "baghouse")
        .len()
    )
    assert set(per_day.select("baghouse", "len").rows()) == {("BH1", 24), ("BH2", 10)}
    cannot = demo.findings.filter(pl.col("verdict") == "cannot tell")
    assert cannot["text"].str.len_chars().min() > 30  # type: ignore[operator]


def test_the_step_in_residual_dp_is_dated_and_sized(demo: Demo) -> None:
    """Seeded: residual drag 35 % up, of which the cake's share of the drag is not."""
    fault = next(f for f in demo.truth["faults"] if f["rule"] == "rising_residual_dp")
    last = _found(demo, "BH2", fault["last_full_day"]).filter(pl.col("rule") == fault["rule"])
    start = last["start"][0]
    assert abs((start.date() - pl.Series([fault["start"][:10]]).str.to_date()[0]).days) <= 1
    rise = next(v["value"] for v in last["values"][0] if v["name"] == "step_rise")
    assert 0.15 < rise < 0.40


def test_minutes_of_the_excursion_are_counted(demo: Demo) -> None:
    """Seeded: 25 min above the continuous limit, 4 min of it above surge."""
    fault = next(f for f in demo.truth["faults"] if f["rule"] == "temperature_excursion")
    found = _found(demo, "BH1", fault["first_full_day"])
    line = found.filter(pl.col("rule") == "temperature_excursion")["values"][0]
    values = {value["name"]: value["value"] for value in line}
    assert values["above_continuous"] == pytest.approx(25 * 60, rel=0.05)
    assert values["above_surge"] == pytest.approx(4 * 60, rel=0.10)
