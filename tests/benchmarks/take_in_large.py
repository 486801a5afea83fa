"""Take in one CSV file much larger than memory should be, and tell the peak memory of the process.

    python tests/benchmarks/take_in_large.py [--gigabytes 2] [--packed]

The file is long, one sample a second of 20 tags, in time order, with a bad line here and there and
some instants that come again. Goal: at most 1 GiB, whatever the size. `--packed` takes in the same
text as gzip. Everything written lies in a folder for temporary files and is removed.
"""

from __future__ import annotations

import argparse
import gzip
import json
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

_TAGS, _START = 20, datetime(2026, 3, 2, tzinfo=UTC)
_BLOCK_S = 7_200
_TAKE_IN = """
import json, sys
from datetime import UTC, datetime
from pathlib import Path
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.take_in import take_in
site = read_site(Path(sys.argv[1]))
with Store.open(site.store) as store:
    (one,) = take_in(store, site, [Path(sys.argv[2])], now=datetime(2031, 1, 1, tzinfo=UTC),
                     progress=lambda text: None)
note = one.note
try:
    import resource
except ImportError:  # Windows does not tell
    peak = float("nan")
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([one.message, note and [note.rows_read, note.stored, note.set_aside], peak]))
"""
_SITE = """
[plant]
name = "Benchmark"
time_zone = "Europe/Vienna"
[take_in]
largest_unpacked = "64 GiB"
[[baghouse]]
id = "BH1"
name = "Kiln filter"
compartments = 1
rows_per_compartment = 1
[baghouse.cleaning]
mode = "on_time"
"""


def main() -> None:
    """Write the file, take it in with a fresh process, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--gigabytes", type=float, default=2.0)
    parser.add_argument("--packed", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        export = folder / "large.csv"
        rows = write(export, int(options.gigabytes * 1e9))
        print(f"{export.stat().st_size / 1e9:.2f} GB, {rows:,} lines")
        if options.packed:
            export = packed(export)
        (folder / "site.toml").write_text(_SITE, encoding="utf-8")
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", _TAKE_IN, str(folder / "site.toml"), str(export)],
            check=True,
            capture_output=True,
            text=True,
        )
        seconds = time.perf_counter() - begin
        message, counts, peak = json.loads(done.stdout.splitlines()[-1])
        if counts is None or counts[0] != rows:
            sys.exit(f"{message} {counts}")
        stored = counts[1]
        size = (folder / "rowcall.duckdb").stat().st_size
        print(f"  stored {stored:,}, set aside {counts[2]:,} of {counts[0]:,} rows")
        print(f"  {seconds:.0f} s, {rows / seconds / 1e6:.2f} million rows a second")
        print(f"  peak memory {peak:.0f} MiB (goal: at most 1024)")
        print(f"  store {size / 1e6:.0f} MB, {size / stored:.2f} bytes a sample")


def write(path: Path, size_bytes: int) -> int:
    """Write an export of about a size; return its lines but for the header.

    Texts are drawn once and cut together, so that writing takes no more memory than reading may.
    """
    import random

    rng = random.Random(1)
    cells = [f",{rng.gauss(100, 5):.3f},Good\n" for _ in range(100_003)]
    names = [f"BH1.TAG-{number:03d}," for number in range(_TAGS)]
    lines = at = 0
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write("tag,time,value,quality\n")
        while out.tell() < size_bytes:
            text = []
            for second in range(_BLOCK_S):
                stamp = f"{_START + timedelta(seconds=at + second):%Y-%m-%dT%H:%M:%SZ}"
                base = (at + second) * _TAGS
                text += [
                    name + stamp + cells[(base + place) % 100_003]
                    for place, name in enumerate(names)
                ]
            text[100] = "BH1.TAG-000,when,1.5,Good\n"
            text[200] = "BH1.TAG-000\n"
            text.append(text[0])
            lines += len(text)
            at += _BLOCK_S
            out.write("".join(text))
    return lines


def packed(path: Path) -> Path:
    """Return the file as gzip, and remove it."""
    target = path.with_name(path.name + ".gz")
    with path.open("rb") as plain, gzip.open(target, "wb", compresslevel=1) as out:
        shutil.copyfileobj(plain, out, 2**20)
    path.unlink()
    return target


if __name__ == "__main__":
    main()
