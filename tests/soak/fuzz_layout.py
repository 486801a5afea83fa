"""Feeds arbitrary bytes to the detection of layout and head: nothing but an ExportError, and soon.

    python tests/soak/fuzz_layout.py [--files 20000] [--seed 1]
    python tests/soak/fuzz_layout.py --guided FOLDER [further arguments of libFuzzer]

Not part of the test suite. The first form draws bytes by chance, of which half begin as a real
export does. The second needs the package `atheris` and lets coverage guide it; FOLDER keeps the
inputs that reached new code.
"""

from __future__ import annotations

import argparse
import importlib
import io
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.odd_exports.drawn_exports import text_case
from helpers.odd_exports.mutations import TEXT_MUTATORS

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.files.sources import Source
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read.opening import open_export

LONGEST_S = 5.0  # chosen: a thousand times what a file takes
_WORDS = (
    b"time,",
    b"tag;",
    b",filter,",
    b",BH1,",
    b",BH2,",
    b"value",
    b"\n",
    b'"',
    b"2026-03-14T05:00:00Z",
    b"1,5",
    b"\0",
    b"\r",
    b",time,DP\n",
    b"PAR1",
    b"2/1/2019 0:05",
    b"OPEN",
    b"PK\x03\x04",
)
_CSV, _PACKED, _PARQUET = Path("day.csv"), Path("day.csv.gz"), Path("day.parquet")


def open_bytes(raw: bytes) -> None:
    """Open bytes as an export; the first byte says under which name.

    Raises:
        AssertionError: it took too long, or the refusal names no file.
    """
    path = (_CSV, _CSV, _PACKED, _PARQUET)[raw[0] % 4 if raw else 0]
    started = time.monotonic()
    content = raw[1:]
    source = Source(path.name, path, len(content), len(content), lambda: io.BytesIO(content))
    try:
        with ThreadPoolExecutor(max_workers=2) as pool:
            open_export(source, TakeIn(), Memory(), pool).close()
    except ExportError as error:
        if not str(error).startswith(path.name):
            raise AssertionError(f"names no file: {error}") from error
    spent = time.monotonic() - started
    assert spent < LONGEST_S, f"{len(raw)} bytes took {spent:.1f} s"


def drawn(rng: Random) -> bytes:
    """Return bytes by chance, half of the time from a damaged export."""
    if rng.random() < 0.5:
        return bytes([0]) + rng.choice(TEXT_MUTATORS)(rng, text_case(rng)).content()
    parts = [
        rng.choice(_WORDS) if rng.random() < 0.7 else rng.randbytes(rng.randint(0, 30))
        for _ in range(rng.randint(0, 60))
    ]
    return rng.randbytes(1) + b"".join(parts)


def by_chance(files: int, seed: int) -> int:
    """Open files drawn by chance; return how many failed."""
    failed = 0
    for number in range(files):
        raw = drawn(Random(f"{seed}-{number}"))
        try:
            open_bytes(raw)
        except Exception as error:
            failed += 1
            print(f"FAILED {number}: {type(error).__name__} {error}, of {raw[:300]!r}", flush=True)
    print(f"{files} files, {failed} failures")
    return failed


def guided(arguments: list[str]) -> None:
    """Let coverage guide the bytes, until something fails or libFuzzer's limits are reached."""
    atheris = importlib.import_module("atheris")
    atheris.instrument_all()
    atheris.Setup([sys.argv[0], *arguments], open_bytes)
    atheris.Fuzz()


def main() -> int:
    """Run the soak; return 1 where something failed."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", nargs=argparse.REMAINDER, help="arguments of libFuzzer")
    given = parser.parse_args()
    if given.guided is not None:
        guided(given.guided)
        return 0
    return 1 if by_chance(given.files, given.seed) else 0


if __name__ == "__main__":
    sys.exit(main())
