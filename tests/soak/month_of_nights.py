"""Plays a month of nights on a small plant, one trouble each night, with nobody at hand.

    python tests/soak/month_of_nights.py [--mailed] [--night N --plant FOLDER]

Not part of the test suite. Each night the historian's export of the day before arrives, or what the
trouble makes of it, and `rowcall nightly` runs as on that morning. Seen to after each night: the
exit code, the sentences that name the trouble, which days were reported, that no traceback was
printed, that the ledger accounts for every row and that the store is in order. A night that came
out wrong is named with what repeats it: its plant is kept as it was on that evening.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import with_mail
from soak.nights_of_month import NIGHTS
from soak.nights_player import FIRST, Plant, make_plant, played_well


def at_the_end(plant: Plant) -> Iterator[str]:
    """Yield good days that nobody got a report of."""
    days = {FIRST + timedelta(days=n) for n in range(len(NIGHTS))}
    there = {path.name for path in (plant.folder / "reports").iterdir()}
    yield from (f"{day}: no report" for day in sorted(days) if str(day) not in there)


def main() -> int:
    """Play the nights; return 1 where anything came out wrong."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--mailed", action="store_true", help="each trouble must be mailed, too")
    parser.add_argument("--night", type=int, help="this night only, from 1, on a kept --plant")
    parser.add_argument("--plant", type=Path)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="rowcall-month-"))
    here = make_plant(folder) if given.plant is None else folder / "plant"
    if given.plant is not None:
        shutil.copytree(given.plant, here)
    wrong = 0
    with serve(Mailbox(), Authority(folder), "starttls") as port:
        pass  # only to find a free one
    if given.plant is None:
        with_mail(here, port)
        site = (here / "site.toml").read_text(encoding="utf-8")
        (here / "site.toml").write_text(f'[log]\nfile = "log.txt"\n{site}', encoding="utf-8")
    else:
        port = int((given.plant / "site.toml").read_text("utf-8").split("port = ")[1].split()[0])
    plant = Plant(here, Mailbox(), Authority(folder), port)
    plant.serve_mail()
    with plant.server:
        for number, night in enumerate(NIGHTS, start=1):
            if given.night in (None, number):
                plant.day = FIRST + timedelta(days=number - 1)
                wrong += not played_well(plant, number, night, folder, given.mailed)
    if given.night is None:
        for text in at_the_end(plant):
            wrong += 1
            print(f"WRONG at the end: {text}")
    n_nights = 1 if given.night else len(NIGHTS)
    print(f"{n_nights} nights, {wrong} of them wrong" + f"; they are in {folder}" * bool(wrong))
    if not wrong:
        shutil.rmtree(folder)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
