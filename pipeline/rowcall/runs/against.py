"""The run that a range is held against: the nightly record, or the folder of another rerun."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import polars as pl

from rowcall.errors import RowcallError
from rowcall.model import Subject, Urgency, Verdict
from rowcall.store import Store
from rowcall.store.ledger import files_of_day
from rowcall.store.nights.judgements import Judged, judged_days
from rowcall.store.results import urgencies_of
from rowcall_reports.range.range_days import Basis, JudgedDay, OtherRun, Verdicts

NIGHTLY = "nightly"


def nightly_run(
    store: Store, days: Sequence[date], settings: Mapping[str, str], settings_hash: str
) -> OtherRun:
    """Return what the nightly record holds of some days.

    Args:
        settings: those of the site file as it is, in words; the record keeps their hash only.
        settings_hash: of the same.
    """
    kept = judged_days(store)
    return OtherRun(
        "the nightly record",
        {
            day: JudgedDay(
                urgencies_of(store, day), _basis(store, day, kept[day], settings, settings_hash)
            )
            for day in days
            if day in kept
        },
    )


def _basis(
    store: Store, day: date, judged: Judged, settings: Mapping[str, str], settings_hash: str
) -> Basis:
    later = {note.sha256 for note in files_of_day(store, day, after=judged.file_id)}
    files = {one.sha256: one.name for one in files_of_day(store, day) if one.sha256 not in later}
    return Basis(settings=settings if judged.settings_hash == settings_hash else None, files=files)


def run_of_folder(folder: Path, days: Sequence[date]) -> OtherRun:
    """Return what the folder of a rerun, or of reports, holds of some days.

    Raises:
        RowcallError: it holds none of them, or a file of it cannot be read.
    """
    tables = {day: folder / day.isoformat() / "findings.parquet" for day in days}
    known = {day: path for day, path in tables.items() if path.exists()}
    if not known:
        raise RowcallError(
            f"--against {folder}: there is no report of any day from {days[0]} to {days[-1]}; name "
            f"the folder of another rerun of these days, or {NIGHTLY}."
        )
    bases = _bases_of(folder)
    return OtherRun(
        str(folder),
        {day: JudgedDay(_verdicts(path), bases.get(day, Basis())) for day, path in known.items()},
    )


def _verdicts(path: Path) -> Verdicts:
    columns = ["rule", "baghouse", "compartment", "row", "place", "verdict", "urgency"]
    try:
        rows = pl.read_parquet(path, columns=columns).rows()
        return {
            (rule, Subject(house, compartment or 0, row or place or 0, place is not None)): (
                Verdict(verdict),
                Urgency(urgency) if urgency else None,
            )
            for rule, house, compartment, row, place, verdict, urgency in rows
        }
    except (pl.exceptions.PolarsError, ValueError) as error:
        raise RowcallError(
            f"{path}: the findings cannot be read; judge these days into that folder again."
        ) from error


def _bases_of(folder: Path) -> dict[date, Basis]:
    """Return what the days of a folder rest on, as the ranges in it say, the newest range last."""
    bases: dict[date, Basis] = {}
    for path in sorted(folder.glob("range-*.json"), key=lambda path: path.stat().st_mtime_ns):
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            bases |= {
                date.fromisoformat(day): Basis(
                    version=kept["version"], settings=kept["settings"], files=files
                )
                for day, files in kept["files"].items()
            }
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise RowcallError(
                f"{path}: this is not as a rerun writes it; delete it, and what differs is named "
                "without its reason."
            ) from error
    return bases
