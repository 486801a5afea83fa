"""`rowcall look`: what is understood of an export is said, pinned, and nothing is stored."""

from __future__ import annotations

import gzip
import tomllib
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from helpers.exports import NOW, aside, long_csv, samples, stored, taken, wide_csv

from rowcall.cli import main
from rowcall.look import Looked, look_at, shown
from rowcall.site import Sample, TakeIn

ROWS = samples(30)
SEMICOLONS = """\
Ondravel Lime;;;
Time;BH1 DP;BH1 T;BH1 T quality
;mbar;°C;
02.03.2026 06:00:00;1,5;140;192
02.03.2026 06:00:10;1,6;141;64
02.03.2026 06:00:20;Bad;142;0
02.03.2026 06:00:30;1,7;143;192
02.03.2026 06:00:40;x;144;192
02.03.2026 05:00:00;1,7;145;192
02.03.1970 06:00:00;1,7;145;192
"""
CLOCKS = "tag,date,clock,value\nDP,03/22/2026,1:00:00 PM,1.5\nDP,03/22/2026,1:00:10 PM,1.6\n"
EPOCH = 'time,DP\n1772427600000,"1,234.5"\n1772427601000,2\n'
SITE = """\
[plant]
name = "P"
time_zone = "America/Chicago"
[[baghouse]]
id = "B"
name = "B"
compartments = 1
rows_per_compartment = 4
[baghouse.cleaning]
mode = "on_time"
"""


def looked(
    folder: Path, content: str | bytes, name: str = "day.csv", zone: str | None = "Europe/Vienna"
) -> Looked:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    (one,) = look_at(path, TakeIn(), ZoneInfo(zone) if zone else None, NOW)
    return one


def pins_of(one: Looked) -> TakeIn:
    """Return the pins of the table that is printed."""
    printed = shown(one).partition("[take_in]\n")[2]
    return TakeIn.model_validate(tomllib.loads(printed))


def test_everything_understood_is_said(tmp_path: Path) -> None:
    text = shown(looked(tmp_path, SEMICOLONS.encode("cp1252")))
    for told in (
        "day.csv\n",
        "encoding cp1252",
        "cut at semicolons; the decimal sign is ','",
        "names on line 2, units on line 3, data from line 4",
        "wide: one time column and 2 columns of a tag each",
        "in column 'Time', written as %d.%m.%Y %H:%M:%S, day first",
        "custom of dates with points; no date contradicts or proves it",
        "wall time without an offset, read in the zone Europe/Vienna",
        "the older numbers (192 is good, 0 is bad): '192' 5 times, '0' once, '64' once",
        "2026-03-02 05:00:00+0100 to 2026-03-02 06:00:40+0100",
        "13 read, 11 of them samples",
        "kept as bad samples: 'Bad' once",
        "the time runs back once (first on line 9)",
        "1 because the time lies before take_in.earliest of the site file (first on line 10)",
        "1 because the value is neither a number nor a word for a bad sensor (first on line 8)",
        "1.5 to 1.7 mbar",
        "140 to 145 °C",
    ):
        assert told in text


def test_what_is_told_of_a_tag(tmp_path: Path) -> None:
    rows = [*samples(100, ("DP",)), *samples(3, ("YS",)), *samples(12, ("TT",))]
    del rows[50:53]
    lines = long_csv(rows).replace(
        "DP,2026-03-02T05:00:10Z,11.5,Good", "DP,2026-03-02T05:00:10Z,,Bad"
    )
    tags = {tag.name: tag for tag in looked(tmp_path, lines).tags}
    dp = tags["DP"]
    assert (dp.points, dp.step_s, dp.longest_gap_s, dp.bad) == (97, 10.0, 40.0, 1)
    assert (dp.sample, dp.lowest, dp.highest) == (Sample.AT_INTERVALS, 10.5, 109.5)
    assert (tags["YS"].points, tags["TT"].points) == (3, 12)


@pytest.mark.parametrize(
    ("name", "times", "expected"),
    [
        ("Time (UTC)", "2026-03-02 05:00", "UTC"),
        ("timestamp_utc", "2026-03-02 05:00", "UTC"),
        ("UTC time", "2026-03-02 05:00", "UTC"),
        ("Time (UTC)", "2026-03-02 05:00Z", None),
        ("timestamp_utc", "1772427600", None),
        ("Time (UTC+1)", "2026-03-02 05:00", None),
        ("Time UTC -05:00", "2026-03-02 05:00", None),
        ("outcome", "2026-03-02 05:00", None),
        ("time", "2026-03-02 05:00", None),
        ("time", "2026-03-29 02:00\n2026-03-29 02:30\n2026-03-29 03:00", None),
    ],
)
def test_the_zone_is_printed_where_the_file_says_it(
    tmp_path: Path, name: str, times: str, expected: str | None
) -> None:
    rows = [f"{time};1" for time in times.split("\n")]
    one = looked(tmp_path, "\n".join([f"{name};DP", *rows, ""]))
    assert pins_of(one).time_zone == expected
    assert ("the hour that spring skips is there" in shown(one)) == ("03-29" in times)


def test_a_zone_of_the_site_file_is_printed_again(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text("time;DP\n2026-03-02 05:00;1\n", encoding="utf-8")
    (one,) = look_at(path, TakeIn(time_zone="+01:00"), ZoneInfo("Europe/Vienna"), NOW)
    assert pins_of(one).time_zone == "+01:00"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("day.csv", SEMICOLONS),
        ("day.csv", SEMICOLONS.encode("utf-16")),
        ("day.csv", CLOCKS),
        ("day.csv", EPOCH),
        ("day.csv", long_csv(ROWS)),
        ("day.csv", long_csv(ROWS, delimiter="\t", decimal=",")),
        ("day.csv", long_csv(ROWS).replace("Good", "0")),
        ("day.csv", wide_csv(ROWS, delimiter="|")),
        ("day.csv.gz", gzip.compress(long_csv(ROWS).encode())),
        ("day.csv", "time;DP\n31-Mar-26 06:00:00,125;1\n"),
        ("day.csv", "time;DP\n2026-03-31 06:00:00 +0200;1\n2026-03-31 06:00:01.5 +0200;1\n"),
    ],
)
def test_the_printed_pins_read_the_file_as_it_was_understood(
    tmp_path: Path, name: str, content: str | bytes
) -> None:
    pins = pins_of(looked(tmp_path, content, name))
    before, after = tmp_path / "before", tmp_path / "after"
    for folder, given in ((before, TakeIn()), (after, pins)):
        folder.mkdir()
        assert taken(folder, content, name, pins=given).note is not None
    assert repr(stored(after)) == repr(stored(before))  # nan is not equal to itself
    assert aside(after) == aside(before)
    (again,) = look_at(tmp_path / name, pins, ZoneInfo("Europe/Vienna"), NOW)
    assert pins_of(again) == pins


def test_zeros_beside_a_number_that_is_good_are_told_as_bad(tmp_path: Path) -> None:
    text = long_csv(ROWS).replace("Good", "1", 30).replace("Good", "0")
    pins = TakeIn(quality_good=("1",))
    (tmp_path / "day.csv").write_text(text, encoding="utf-8")
    (one,) = look_at(tmp_path / "day.csv", pins, ZoneInfo("Europe/Vienna"), NOW)
    taken(tmp_path, text, pins=pins_of(one))
    assert sorted(row[3] for row in stored(tmp_path)) == [0] * 30 + [2] * 30


def test_what_is_counted_is_what_take_in_does(tmp_path: Path) -> None:
    one = looked(tmp_path, SEMICOLONS)
    note = taken(tmp_path, SEMICOLONS).note
    assert note is not None
    assert (one.rows_read, one.samples) == (note.rows_read, note.stored)
    assert sum(reason.rows for reason in one.aside) == note.set_aside
    assert (one.first, one.last) == (note.first, note.last)


def test_parquet_has_no_overrides_of_text(tmp_path: Path) -> None:
    path = tmp_path / "day.parquet"
    pl.DataFrame({"time": [datetime(2026, 3, 2, 5, tzinfo=UTC)], "DP": [1.5]}).write_parquet(path)
    (one,) = look_at(path, TakeIn(), None, NOW)
    assert one.overrides == (("layout", "wide"), ("time_column", "time"))
    assert "typed as instants" in shown(one)


def test_each_export_of_an_archive_is_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "days.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.csv", EPOCH)
        archive.writestr("b.csv", CLOCKS)
    names = [one.name for one in look_at(path, TakeIn(), None, NOW)]
    assert names == ["days.zip/a.csv", "days.zip/b.csv"]


def test_without_a_site_file_wall_time_stays_wall_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "day.csv"
    path.write_text(CLOCKS, encoding="utf-8")
    assert main(["look", str(path)]) == 0
    out = capsys.readouterr().out
    assert "it needs the plant's zone" in out
    assert "2026-03-22 13:00:00 wall time" in out
    assert [found.name for found in tmp_path.iterdir()] == ["day.csv"]


def test_the_site_file_gives_zone_and_pins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, site = tmp_path / "day.csv", tmp_path / "site.toml"
    path.write_text(CLOCKS.replace("03/22", "03/02"), encoding="utf-8")
    site.write_text(SITE, encoding="utf-8")
    arguments = ["look", str(path), "--site", str(site)]
    assert main(arguments) == 2
    assert "take_in.day_first" in capsys.readouterr().err
    site.write_text("take_in.day_first = true\n" + SITE, encoding="utf-8")
    assert main(arguments) == 0
    out = capsys.readouterr().out
    assert "day first (by take_in.day_first of the site file)" in out
    assert "2026-02-03 13:00:00-0600" in out


def test_a_refused_file_is_named_and_the_others_are_looked_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, empty = tmp_path / "good.csv", tmp_path / "empty.csv"
    good.write_text(long_csv(ROWS), encoding="utf-8")
    empty.write_bytes(b"")
    assert main(["look", str(empty), str(good), str(tmp_path / "gone.csv")]) == 2
    told = capsys.readouterr()
    assert "good.csv" in told.out
    assert "empty.csv: the file is empty" in told.err
    assert "gone.csv" in told.err


def test_an_export_of_which_nothing_can_be_used_is_still_explained(tmp_path: Path) -> None:
    one = looked(tmp_path, "time,DP\n1970-01-01T00:00:00Z,1\n")
    assert (one.samples, one.tags, one.first) == (0, (), None)
    assert "1 because the time lies before" in shown(one)
