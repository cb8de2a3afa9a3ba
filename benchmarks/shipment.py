"""A shipment of many blanks from files: how near the work is to reading them, and to the single fits.

    python benchmarks/shipment.py [blanks, 1000] [readings a run, 2500]

Writes a roll and a flex run for every invented blank into a folder of its own, and prints

* reading them by ``pandas.read_csv``, as the measure of what a file costs;
* loading them all and fitting the roll runs, in one process and over the processors at hand, over that;
* the whole work (roll and flex runs, each blank's helping each other) over the sum of the single fits divided
  by the processors;
* the same again with nothing changed, from the results that were kept;
* the memory that the program and its workers took at most.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.bend.elastica import load_for_travel
from analysis.bend.profile import Taper
from rig.runs import read_run
from rig.settings import Settings
from rig.workup.many import processors, work_files
from rig.workup.one_run import work_flex, work_roll

LENGTH_M, TRAVEL_M = 1.8, 0.45
SINGLE = 100
"""Blanks whose single fits are timed for the sum."""


def write_blank(folder: Path, name: str, readings: int, rng: np.random.Generator) -> None:
    """Write a roll and a flex run of one invented blank."""
    head = f'# blankbench-run = 1\n# kind = "{{}}"\n# blank = "{name}"\n# model = "example model"\n'
    head += f'# free_length_m = {LENGTH_M}\n# started = "2026-05-04T09:30:00Z"\n'
    t = np.arange(readings) / 80.0
    there = np.linspace(0.0, 720.0, readings // 2)
    roll = np.concatenate([there, there[::-1], np.zeros(readings - 2 * (readings // 2))])
    k, size = rng.uniform(3.5, 4.5), rng.uniform(0.005, 0.03)
    load = TRAVEL_M * k * (1.0 + size * np.cos(np.radians(2.0 * (roll - rng.uniform(0.0, 180.0)))))
    load += 0.02 * np.cos(np.radians(roll - rng.uniform(0.0, 360.0))) + 0.012 * rng.standard_normal(readings)
    text = head.format("roll") + f"# held_travel_m = {TRAVEL_M}\ntime_s,load_N,roll_deg\n"
    rows = zip(t.tolist(), load.tolist(), (roll % 360.0).tolist(), strict=True)
    text += "".join(f"{a:.4f},{b:.5f},{c:.2f}\n" for a, b, c in rows)
    (folder / f"{name}_roll.csv").write_text(text, encoding="utf-8")
    taper = Taper(LENGTH_M, rng.uniform(12.0, 18.0), rng.uniform(0.2, 0.35), 3.0)
    knots = np.linspace(0.0, 0.6, 13)
    loads, slopes = [0.0], [0.0]
    for travel in knots[1:]:
        shape = load_for_travel(taper, float(travel))
        loads.append(shape.load_N)
        slopes.append(shape.tip)
    pulled = 0.6 * np.sin(np.linspace(0.0, np.pi, readings))
    load = np.interp(pulled, knots, loads) + 0.012 * rng.standard_normal(readings)
    tip = np.degrees(np.interp(pulled, knots, slopes)) + 0.25 * rng.standard_normal(readings)
    moved = pulled + 0.0008 * rng.standard_normal(readings)
    text = head.format("flex") + "time_s,load_N,travel_m,tip_deg\n"
    rows = zip(t.tolist(), load.tolist(), moved.tolist(), tip.tolist(), strict=True)
    text += "".join(f"{a:.4f},{b:.5f},{c:.5f},{d:.3f}\n" for a, b, c, d in rows)
    (folder / f"{name}_flex.csv").write_text(text, encoding="utf-8")


def read_all(paths: Sequence[str]) -> None:
    """Read files as a general reader does, keeping none."""
    for path in paths:
        pd.read_csv(path, comment="#")


def load_and_roll(pair: tuple[str, str]) -> float:
    """Read both runs of a blank and fit its roll run."""
    roll, flex = (read_run(path) for path in pair)
    return len(flex) + work_roll(roll, Settings()).result.travel_m


def over_processors(pairs: Sequence[tuple[str, str]], workers: int) -> None:
    """Do that for all blanks in as many processes as there are processors."""
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(load_and_roll, pairs, chunksize=16))


def seconds(work: Callable[[], object]) -> float:
    """Time one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main(arguments: Sequence[str]) -> None:
    """Print the table."""
    blanks = int(arguments[0]) if arguments else 1000
    readings = int(arguments[1]) if len(arguments) > 1 else 2500
    settings, workers = Settings(), processors()
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(blanks):
            write_blank(folder, f"B-{number:04d}", readings, rng)
        rolls = sorted(map(str, folder.glob("*_roll.csv")))
        flexes = sorted(map(str, folder.glob("*_flex.csv")))
        print(f"{blanks} blanks, {2 * blanks} runs, {2 * blanks * readings} readings, {workers} processors")
        pairs = list(zip(rolls, flexes, strict=True))
        plain = seconds(lambda: read_all(rolls + flexes))
        print(f"pandas.read_csv of all runs                 {plain:8.2f} s")
        alone = seconds(lambda: [load_and_roll(pair) for pair in pairs])
        print(f"loading all, fitting the rolls, one process {alone:8.2f} s  {alone / plain:5.2f} x pandas")
        spread = seconds(lambda: over_processors(pairs, workers))
        print(f"the same over the processors                {spread:8.2f} s  {spread / plain:5.2f} x pandas")
        few = slice(0, min(SINGLE, blanks))
        single = seconds(lambda: [work_roll(read_run(path), settings) for path in rolls[few]])
        single += seconds(lambda: [work_flex(read_run(path), settings) for path in flexes[few]])
        single *= blanks / len(rolls[few])
        both = sorted(rolls + flexes)
        whole = seconds(lambda: work_files(both, settings))
        share = whole / (single / workers)
        print(f"sum of the single fits over the processors  {single / workers:8.2f} s")
        print(f"the whole shipment                          {whole:8.2f} s  {share:5.2f} x that")
        again = seconds(lambda: work_files(both, settings))
        print(f"again, nothing changed                      {again:8.2f} s  {again / whole:5.2f} x the first")
        own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
        child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
        print(f"memory at most: program {own:.0f} MB, one worker {child:.0f} MB (shared pages counted twice)")


if __name__ == "__main__":
    main(sys.argv[1:])
