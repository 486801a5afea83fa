"""Takes in thousands of drawn exports, valid and damaged, and sees that no promise is broken.

    python tests/soak/fuzz_take_in.py [--files 10000] [--seed 1] [--jobs 1] [--keep FOLDER]

Not part of the test suite. Of every valid export exactly the truth must be stored. A damaged one
must be stored or refused with a sentence, with every row accounted for and no good line stored
wrong; in a worker process that is replaced where it dies or takes too long. Every kind of failure
is cut down to a small export, kept in FOLDER with what was said about it.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.odd_exports.export_case import CHANGED, Case, Piece
from helpers.odd_exports.export_judge import Judge, Judged
from helpers.odd_exports.mutations import damaged_case, valid_case

LONGEST_S = 20.0  # a file; chosen: a thousand times what one takes on an idle machine
_START_S = 120.0  # to import everything on a busy machine
_MEMORY = 8 << 30  # bytes of address space of a worker; chosen: most of it is never touched
_TRIES = 120  # smaller exports tried for a failure
_ALIKE = 3  # failures of one kind and mutator that are cut down and kept
_VALID = 0.15  # share of files without damage


class Worker:
    """A process that judges cases, and is replaced where it dies or takes too long."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None

    def judge(self, case: Case) -> Judged:
        """Judge a case."""
        pipe = self._pipe or self._started()
        pipe.send(case)
        try:
            if pipe.poll(LONGEST_S):
                judged = pipe.recv()
                assert isinstance(judged, Judged)
                return judged
            failure = f"hangs: no answer after {LONGEST_S:g} s"
        except (EOFError, OSError):
            assert self._process is not None
            self._process.join()
            failure = f"died: the process ended with {self._process.exitcode}"
        self.stop()
        return Judged("no answer", (failure,))

    def stop(self) -> None:
        """End the process."""
        if self._process is not None and self._pipe is not None:
            self._process.kill()
            self._process.join()
            self._pipe.close()
        self._process = self._pipe = None

    def _started(self) -> Connection:
        context = multiprocessing.get_context("spawn")
        self._pipe, far = context.Pipe()
        self._process = context.Process(target=_serve, args=(far, self._folder), daemon=True)
        self._process.start()
        far.close()
        if not self._pipe.poll(_START_S):
            raise SystemExit("a worker does not start")
        self._pipe.recv()
        return self._pipe


def _serve(pipe: Connection, folder: Path) -> None:
    """Answer cases until the pipe is closed."""
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 2)  # panics write to it
    judge = Judge(folder)
    pipe.send("ready")
    while True:
        try:
            case = pipe.recv()
        except EOFError:
            return
        pipe.send(judge.judge(case))


class Cutter:
    """Cuts a failing case down as long as it fails in the same way: whole lines, then bytes."""

    def __init__(self, case: Case, judged: Judged, worker: Worker) -> None:
        self.case, self.judged = case, judged
        self._worker, self._left = worker, _TRIES

    def cut(self) -> None:
        """Replace `case` and `judged` by smaller ones."""
        size = len(self.case.pieces) // 2
        while size:
            place = 0
            while place < len(self.case.pieces):
                pieces = self.case.pieces
                shorter = replace(self.case, pieces=pieces[:place] + pieces[place + size :])
                place += 0 if self._fails(shorter) else size
            size //= 2
        for number, piece in enumerate(self.case.pieces):
            if piece.role == CHANGED and self.case.delimiter:
                self._cut_piece(number)

    def _cut_piece(self, number: int) -> None:
        size = len(self.case.pieces[number].raw) // 2
        while size:
            at = 0
            while at < len(self.case.pieces[number].raw):
                raw = self.case.pieces[number].raw
                shorter = self.case.with_piece(number, Piece(raw[:at] + raw[at + size :]))
                at += 0 if self._fails(shorter) else size
            size //= 2

    def _fails(self, trial: Case) -> bool:
        if not self._left or not (self.case.what and trial.pieces):
            return False
        self._left -= 1
        judged = self._worker.judge(trial)
        if not judged.kinds & self.judged.kinds:
            return False
        if judged.outcome == "stored":  # the good lines must be a valid export by themselves
            good = tuple(piece for piece in trial.pieces if piece.role != CHANGED)
            if self._worker.judge(replace(trial, what="", pieces=good)).wrong:
                return False
        self.case, self.judged = trial, judged
        return True


def run(numbers: range, seed: int, keep: Path) -> tuple[Counter[tuple[str, str]], Counter[str]]:
    """Judge the cases of some numbers; return outcomes by mutator, and failures by kind."""
    outcomes: Counter[tuple[str, str]] = Counter()
    failures: Counter[str] = Counter()
    worker, started = Worker(keep / f"work{numbers.start}"), time.monotonic()
    for done, number in enumerate(numbers, start=1):
        rng = Random(f"{seed}-{number}")
        case = valid_case(rng) if rng.random() < _VALID else damaged_case(rng)
        judged = worker.judge(case)
        for mutator in (case.what or "valid").split("+"):
            outcomes[mutator, judged.outcome] += 1
        for kind in judged.kinds:
            failures[kind] += 1
            if failures[kind] <= _ALIKE:
                _keep(keep / f"{number}-{kind.replace(' ', '_')[:40]}", case, judged, worker, seed)
        if done % 250 == 0:
            spent = time.monotonic() - started
            said = f"{done} of {len(numbers)} files, {spent:.0f} s, {failures.total()} failures"
            print(said, flush=True)
    worker.stop()
    return outcomes, failures


def _keep(folder: Path, case: Case, judged: Judged, worker: Worker, seed: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"whole-{case.name}").write_bytes(case.content())
    cutter = Cutter(case, judged, worker)
    cutter.cut()
    small, told = cutter.case, cutter.judged
    (folder / f"small-{small.name}").write_bytes(small.content())
    lines = [f"seed {seed}, {case.what or 'valid'}, {case.encoding}", "", *told.wrong, told.message]
    (folder / "wrong.txt").write_text("\n".join(lines), encoding="utf-8", errors="replace")
    print(f"FAILED {folder.name} ({case.what or 'valid'}): {told.wrong[0][:300]!r}", flush=True)


def main() -> int:
    """Run the soak; return 1 where a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--keep", type=Path, help="folder for the failing exports")
    given = parser.parse_args()
    keep = given.keep or Path(tempfile.mkdtemp(prefix="fuzz-take-in-"))
    numbers = range(given.first, given.first + given.files)
    slices = [numbers[job :: given.jobs] for job in range(given.jobs)]
    outcomes: Counter[tuple[str, str]] = Counter()
    failures: Counter[str] = Counter()
    with ThreadPoolExecutor(given.jobs) as pool:
        for became, failed in pool.map(lambda part: run(part, given.seed, keep), slices):
            outcomes.update(became)
            failures.update(failed)
    print(f"{'mutator':<16}{'stored':>9}{'refused':>9}{'raised':>9}{'no answer':>11}")
    for mutator in sorted({mutator for mutator, _ in outcomes}):
        counts = [outcomes[mutator, how] for how in ("stored", "refused", "raised", "no answer")]
        print(f"{mutator:<16}{counts[0]:>9}{counts[1]:>9}{counts[2]:>9}{counts[3]:>11}")
    for kind, count in failures.most_common():
        print(f"{count:>6} x {kind}")
    print(f"{len(numbers)} files, {failures.total()} failures; kept in {keep}")
    return 1 if failures else 0


if __name__ == "__main__":
    os.environ.setdefault("POLARS_MAX_THREADS", "1")  # the files are small, and many run at once
    sys.exit(main())
