"""What a run says and how it ends: dated lines, a log file, --quiet, signals, closed pipes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from helpers.nights.small_plant import copy_plant
from soak.disk import full_disk

from rowcall.cli import Exit, main
from rowcall.run_log import LOG, log_to_file, log_to_stderr, run_log

pytestmark = pytest.mark.sparse_days
NIGHTLY = (sys.executable, "-m", "rowcall", "nightly", "--settle", "0")
DATED = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d (INFO|WARNING|ERROR) (.+)")
REFUSED = "odd.csv"
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and pipes of another kind")


def with_log(plant: Path, more: str = "") -> Path:
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    site.write_text(f'[log]\nfile = "logs/rowcall.log"\n{more}\n{text}', encoding="utf-8")
    (plant / "inbox" / REFUSED).write_text("no;export\n", encoding="utf-8")
    return site


def levels(text: str) -> list[tuple[str, str]]:
    """Return level and sentence of every line of a log, all of which are dated."""
    found = [DATED.fullmatch(line) for line in text.splitlines()]
    assert all(found)
    return [(match[1], match[2]) for match in found if match]


def test_a_night_says_each_problem_once_and_keeps_all_in_its_log(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    site = with_log(plant)
    assert main(["nightly", "--site", str(site), "--settle", "0"]) == Exit.NOTICES
    said = capsys.readouterr()
    lines = levels(said.err)
    assert said.err == (plant / "logs" / "rowcall.log").read_text(encoding="utf-8")
    assert len({text for _, text in lines}) == len(lines)
    refused = [(level, text) for level, text in lines if f"{REFUSED}: " in text]
    assert [level for level, _ in refused] == ["WARNING"]
    assert said.out.splitlines() == [str(plant / "reports" / "2026-03-28")]


def test_a_quiet_night_says_only_what_is_wrong(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    arguments = ["nightly", "--quiet", "--settle", "0", "--site", str(with_log(plant))]
    assert main(arguments) == Exit.NOTICES
    lines = levels(capsys.readouterr().err)
    assert {level for level, _ in lines} == {"WARNING"}
    kept = levels((plant / "logs" / "rowcall.log").read_text(encoding="utf-8"))
    assert set(lines) < set(kept)
    assert "INFO" in {level for level, _ in kept}


def test_no_name_and_no_error_can_begin_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    forged = "x\n2026-03-28T04:30:00+01:00 INFO all is well"
    with run_log():
        log_to_stderr(quiet=False)
        log_to_file(tmp_path / "log.txt", 2**20, 1)
        LOG.info(forged)
        try:
            raise ValueError(forged)
        except ValueError as error:
            LOG.error("It failed.", exc_info=error)
    text = capsys.readouterr().err
    assert text == (tmp_path / "log.txt").read_text(encoding="utf-8")
    assert "\n2026-03-28" not in text
    assert sum(bool(DATED.fullmatch(line)) for line in text.splitlines()) == 2
    assert text.splitlines()[-1].startswith("ValueError: x\\u000a2026")


def test_a_full_log_file_is_followed_by_another(tmp_path: Path) -> None:
    with run_log():
        log_to_stderr(quiet=True)
        log_to_file(tmp_path / "log.txt", 1024, 2)
        for number in range(100):
            LOG.info("Line %d of many, long enough to fill a small file.", number)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log.txt", "log.txt.1", "log.txt.2"]


def test_a_log_file_that_cannot_be_written_costs_a_sentence_only(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    (plant / "logs").write_text("a file in its place", encoding="utf-8")
    site = with_log(plant)
    assert main(["nightly", "--site", str(site), "--settle", "0"]) == Exit.NOTICES
    said = capsys.readouterr()
    assert [text for _, text in levels(said.err) if "The log file cannot be used" in text]
    assert said.out


@posix
@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGINT, Exit.INTERRUPTED), (signal.SIGTERM, Exit.TERMINATED)],
)
def test_a_stopped_run_ends_with_a_sentence(
    made: Path, tmp_path: Path, number: int, code: Exit
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    with subprocess.Popen(NIGHTLY, cwd=plant, stderr=subprocess.PIPE, text=True) as run:
        assert run.stderr
        said = [run.stderr.readline()]
        run.send_signal(number)
        said += run.stderr.readlines()
    assert run.returncode == code
    assert "WARNING Stopped. " in said[-1]
    assert all(DATED.fullmatch(line.rstrip()) for line in said)
    assert not [path.name for path in plant.iterdir() if "staging" in path.name]
    again = ["nightly", "--settle", "0", "--site", str(plant / "site.toml")]
    assert main(again) == Exit.NOTICES  # the days lie long ago
    assert len(list((plant / "reports").glob("*-*-*"))) == 1


@posix
# The first two fill the pipe at once; the others are so short that they are written at the end.
@pytest.mark.parametrize("command", ["rules", "reference", "--version", "--help"])
def test_a_closed_pipe_ends_quietly(command: str) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rowcall", command],
            stdout=writer,
            stderr=subprocess.PIPE,
            check=False,
            env={**os.environ, "PYTHONUNBUFFERED": ""},  # empty: not set
        )
    finally:
        os.close(writer)
    assert (done.returncode, done.stderr) == (Exit.PIPE_CLOSED, b"")


@posix
def test_a_night_works_on_where_nobody_listens(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            NIGHTLY, cwd=plant, stdout=subprocess.PIPE, stderr=writer, check=False
        )
    finally:
        os.close(writer)
    assert done.returncode == Exit.NOTICES
    assert b"2026-03-28" in done.stdout


@posix
def test_a_log_file_that_is_cut_off_costs_a_sentence_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with full_disk() as fill, run_log():
        log_to_stderr(quiet=True)
        log_to_file(tmp_path / "log.txt", 2**20, 1)
        LOG.info("There is room.")
        fill(4)
        LOG.info("There is none.")
        LOG.warning("Still said.")
    (_, cut), (_, still) = levels(capsys.readouterr().err)
    assert "the log file ends here for this run" in cut
    assert still == "Still said."
