"""The chapter about compressed air: only what is known, in words of the trade."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from helpers import report_days
from helpers.report_facts import Line, with_facts
from helpers.scenes import exports, kiln, local, on_time, study

from rowcall.model import BaghouseDay, Fact, FactBook
from rowcall_plant import HeaderLeak, PlannedStop, RowNotCalled
from rowcall_reports.chapters.compressed_air import write_headers
from rowcall_reports.chapters.one_baghouse import write_recovery
from rowcall_reports.prepared import prepare

STOP = PlannedStop(start=local(0, 9), end=local(0, 14))


def written(day: BaghouseDay) -> str:
    return write_headers(day, FactBook(day.facts))


def table_of(day: BaghouseDay) -> dict[str, list[str]]:
    """Return the columns of the table by heading."""
    lines = [line for line in written(day).splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return {head: [row[n] for row in cells[2:]] for n, head in enumerate(cells[0])}


def test_what_was_found_stands_beside_what_is_set() -> None:
    day = study(exports(kiln(stops=(STOP,)))[0]).day
    table, text = table_of(day), written(day)
    assert table["Header"] == ["1", "2"]
    assert table["Between pulses"] == ["20.0 s", "20.0 s"]
    assert table["Pulse length"] == ["100 ms", "100 ms"]
    assert {cell[:3] for cell in table["Plateau"]} == {"6.0"}
    assert {cell[:4] for cell in table["Free air per pulse"]} <= {"0.32", "0.33"}
    assert "A row every 10.0 s; set 10.0 s. Pulse length set: 100 ms." in text
    assert "ideal gas" in text
    assert "lost pressure" not in text


def test_a_loss_at_rest_is_sized() -> None:
    """0.25 m3 * 0.001 / s * 5.99 bar / 1.013 bar = 1.48 L/s = 5.3 m3 an hour."""
    leak = HeaderLeak(
        start=local(0), compartment=1, leak_1_s=1e-3, air_off=(local(0, 10), local(0, 12))
    )
    text = written(study(exports(kiln(stops=(STOP,)), [leak])[0]).day)
    assert "Header 1 lost pressure while nothing pulsed" in text
    assert "5.1 m³ of free air an hour or 44,000 m³ a year" in text
    assert "Header 2 lost" not in text


def test_the_row_with_the_fewest_pulses_is_named() -> None:
    fault = RowNotCalled(start=local(0), compartment=2, row=5)
    text = written(study(exports(kiln(), [fault])[0]).day)
    assert "Fewest pulses: compartment 2, row 5, 0 % of a typical row's" in text


def test_columns_without_a_value_are_left_out() -> None:
    export = exports(kiln(cleaning=on_time(6, 12.0)), rows_by="counter")[0]
    unknown = export.baghouse.model_copy(update={"header_volume": None})
    day = study(replace(export, baghouse=unknown)).day
    heads = set(table_of(day))
    assert {"Between pulses", "Plateau"} <= heads
    assert not heads & {"Pulse length", "Free air per pulse", "Free air that day", "Idle"}
    assert "ideal gas" not in written(day)


def test_without_pulses_nothing_is_written() -> None:
    export = exports(kiln(), drop=("row_solenoid", "header_pressure"))[0]
    assert written(study(export).day) == ""


@pytest.mark.parametrize(
    ("refills", "shown"),
    [
        ([], ["5.7 s", "5.7 s"]),
        ([(1, 0, Fact.RECOVERY_S, 6.04)], ["6.0 s", "5.7 s"]),
        ([(1, 0, Fact.RECOVERY_S, math.nan)], ["-", "5.7 s"]),
        (  # one header for both compartments
            [(0, 0, Fact.RECOVERY_S, 6.04), *((c, 0, Fact.RECOVERY_S, math.nan) for c in (1, 2))],
            ["6.0 s", "6.0 s"],
        ),
    ],
)
def test_the_time_to_recover_stands_once_and_as_rules_quote_it(
    refills: list[Line], shown: list[str]
) -> None:
    """`short_interval` quotes that of the header; two estimates side by side would differ."""
    report = report_days.report()
    kiln_day = report.baghouses[0]
    kiln_day = replace(kiln_day, facts=with_facts(kiln_day.facts, refills))
    prepared = prepare(replace(report, baghouses=(kiln_day,), findings=())).baghouses[0]
    lines = [line.split("|") for line in write_recovery(prepared).splitlines()]
    assert "95 % recovered in" in lines[0][2]
    assert [line[2].strip() for line in lines[2:]] == shown
    assert "recovered" not in written(study(exports(kiln(stops=(STOP,)))[0]).day)
