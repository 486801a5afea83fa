"""Kills the nightly run again and again, and sees that the next one makes everything good.

    python tests/soak/kill_nightly.py [--kills 200] [--seed 1] [--jobs 1]

Not part of the test suite. Every trial takes a copy of a small plant, starts `rowcall nightly`,
kills it (or stops it by Ctrl-C or SIGTERM) at an instant drawn by chance, perhaps kills the next
run also, lets one run end, and compares all reports byte by byte and all tables row by row with an
undisturbed run. A failed trial is named with the arguments that repeat its draw; the instant itself
depends on the machine.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.small_plant import copy_plant, make_small_plant
from soak.killing import PHASES, STALE, draw_kill, run_killed, run_through
from soak.portrait import Portrait, differences, portrait

CHAINS = (1, 1, 1, 2, 2, 3)  # runs killed one after another; chosen: single ones most often


@dataclass(frozen=True, slots=True)
class Scene:
    """A plant before its night, and what an undisturbed night makes of it."""

    name: str
    plant: Path
    wanted: Portrait
    undisturbed_s: float


@dataclass(slots=True)
class Trial:
    """What became of one copy of a scene."""

    number: int
    scene: str
    phases: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def make_scenes(folder: Path) -> list[Scene]:
    """Make the nights to disturb: the first ever, the second, and one with a corrected day."""
    made = make_small_plant(folder / "made")
    exports = sorted((made / "inbox").iterdir())
    first = copy_plant(made, folder / "first", days=2)
    second = copy_plant(made, folder / "second", days=1)
    _night(second)
    shutil.copy(exports[1], second / "inbox")
    corrected = copy_plant(made, folder / "corrected", days=2)
    _night(corrected)
    frame = pl.read_parquet(exports[0])
    frame = frame.with_columns(pl.col("value") * 1.01).gather_every(7)
    frame.write_parquet(corrected / "inbox" / "corrected.parquet")
    plants = {"first night": first, "second night": second, "corrected day": corrected}
    return [_scene(name, plant, folder / "undisturbed") for name, plant in plants.items()]


def _scene(name: str, plant: Path, folder: Path) -> Scene:
    own = folder / plant.name
    shutil.copytree(plant, own)
    begin = time.perf_counter()
    _night(own)
    return Scene(name, plant, portrait(own), time.perf_counter() - begin)


def _night(plant: Path) -> None:
    code, said = run_through(plant)
    if code != STALE:
        sys.exit(f"an undisturbed run ended with {code}:\n{said}")


def disturb(scenes: list[Scene], folder: Path, seed: int, number: int) -> Trial:
    """Do one trial: a scene, one to three killed runs, one that ends, and the comparison."""
    chance = Random(f"{seed}/{number}")
    scene = scenes[number % len(scenes)]
    trial = Trial(number, scene.name)
    own = folder / str(number)
    plant = own / "plant"
    shutil.copytree(scene.plant, plant)
    for count in range(chance.choice(CHAINS)):
        kill = draw_kill(chance, scene.undisturbed_s)
        try:
            phase = run_killed(plant, own / f"{count}.log", kill)
        except AssertionError as error:
            trial.wrong.append(str(error))
            continue
        if phase is not None:
            trial.phases.append(phase)
    code, said = run_through(plant)
    if code != STALE:
        trial.wrong.append(f"the last run ended with {code}: {said.strip().splitlines()[-1:]}")
    else:
        trial.wrong += differences(portrait(plant), scene.wanted)
    if not trial.wrong:
        shutil.rmtree(own)
    return trial


def trials(scenes: list[Scene], folder: Path, options: argparse.Namespace) -> Iterator[Trial]:
    """Do trials, `jobs` at a time, until enough runs were killed."""
    kills, number, running = 0, options.first, set[Future[Trial]]()
    with ThreadPoolExecutor(options.jobs) as pool:
        while kills < options.kills or running:
            while kills < options.kills and len(running) < options.jobs:
                running.add(pool.submit(disturb, scenes, folder, options.seed, number))
                number += 1
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                kills += len(future.result().phases)
                yield future.result()


def main() -> int:
    """Disturb, compare, and print; return 1 when anything came out differently."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=200, help="runs to kill (default: 200)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first trial")
    parser.add_argument("--jobs", type=int, default=1, help="trials at a time (default: 1)")
    options = parser.parse_args()
    begin = time.perf_counter()
    folder = Path(tempfile.mkdtemp(prefix="rowcall-soak-"))
    scenes = make_scenes(folder)
    for scene in scenes:
        print(f"{scene.name}: an undisturbed run takes {scene.undisturbed_s:.2f} s")
    done = list(_told(trials(scenes, folder / "trials", options), options))
    phases = Counter(phase for trial in done for phase in trial.phases)
    wrong = [trial for trial in done if trial.wrong]
    for phase in PHASES:
        print(f"  killed in {phase}: {phases[phase]}")
    longest = max(len(trial.phases) for trial in done)
    print(
        f"{phases.total()} runs killed in {len(done)} trials (up to {longest} in a row), "
        f"{len(wrong)} of them wrong, {time.perf_counter() - begin:.0f} s"
    )
    if wrong:
        print(f"what the wrong ones left is in {folder}")
        return 1
    shutil.rmtree(folder)
    return 0


def _told(source: Iterator[Trial], options: argparse.Namespace) -> Iterator[Trial]:
    kills = told = 0
    for trial in source:
        kills += len(trial.phases)
        if kills >= told + 20:
            told = kills
            print(f"{kills} runs killed", flush=True)
        for text in trial.wrong:
            again = f"--seed {options.seed} --first {trial.number} --kills 1"
            print(f"WRONG {again} ({trial.scene}, {trial.phases}): {text}", flush=True)
        yield trial


if __name__ == "__main__":
    sys.exit(main())
