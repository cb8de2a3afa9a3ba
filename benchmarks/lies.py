"""Sound runs in many ways of measuring, and lies told to them: what is refused, what passes in silence.

    python benchmarks/lies.py [--sound 20] [--lied 2] [--roll] [--flex] [--seed 1]

`--sound` sound runs a way, `--lied` runs a lie (each in another way of measuring). Printed are

* sound runs: refused (an error, or nothing claimed), how often the half-width of each headline number holds
  the truth, and sentences that speak of a fault (false words);
* lies: passed in silence (a headline number off by more than 1.5 times its half-width, and no warning that
  the sound run had not), named by their cause, refused.

Truth and physics are those of `tests/sound_runs.py`, apart from the package.
"""

from __future__ import annotations

import argparse
import math
import os
import re
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import numpy as np
from lies import FLEX_LIES, ROLL_LIES
from sound_runs import CONTINUOUS, FLEX_LIED, FLEX_WAYS, ROLL_WAYS, flex_scene, roll_scene

from analysis.bend import fit_flex
from analysis.errors import BlankbenchError
from analysis.roll import fit_roll

PERIODS = {"stiff_plane": math.pi, "bow_direction": 2 * math.pi, "mark": 2 * math.pi}
LOOSE = 1.5


def asked(readings):
    """Headline numbers with half-widths, warnings, causes; the error's text where it was refused."""
    try:
        if hasattr(readings, "roll") and hasattr(readings, "held_load_N"):
            result = fit_roll(readings)
            numbers = {
                "stiff_plane": result.stiff_plane,
                "anisotropy": result.anisotropy,
                "stiffness": result.stiffness,
                "bow": result.bow,
                "bow_direction": result.bow_direction,
                "mark": result.mark.angle,
            }
            ties = [snap.angle.value for snap in result.snaps] if result.mark.tie is not None else []
        else:
            result = fit_flex(readings)
            numbers = {
                "reference_load": result.reference_load,
                "bend_centre": result.bend_centre,
                "initial_stiffness": result.initial_stiffness,
            }
            ties = []
    except BlankbenchError as error:
        return {}, (), (), str(error), []
    causes = tuple(found.cause for found in getattr(result, "causes", ()))
    if all(value is None for value in numbers.values()):
        return {}, result.warnings, causes, result.warnings[0] if result.warnings else "nothing", []
    return numbers, result.warnings, causes, None, ties


def off(numbers, truth, ties):
    """How far each number is off, in half-widths."""
    out = {}
    for name, value in numbers.items():
        if value is None:
            continue
        away = value.value - truth[name]
        if name in PERIODS:
            period = PERIODS[name]
            away = (away + period / 2) % period - period / 2
            if name == "mark":
                away = min(
                    (abs((tie - truth[name] + period / 2) % period - period / 2) for tie in ties),
                    default=abs(away),
                )
        out[name] = abs(away) / max(value.ci95, 1e-12)
    return out


def kinds(warnings):
    """Sentences without their numbers."""
    return {re.sub(r"[-−+]?\d[\d.,]*", "#", warning) for warning in warnings}


def sound(ways, scene_of, count, seed):
    print(f"{'way':26s}{'runs':>5s}{'refused':>8s}{'false':>6s}  half-widths hold the truth, %")
    held = defaultdict(list)
    refused, words, total, falsely = Counter(), Counter(), 0, 0
    for number, way in enumerate(ways):
        mine, no, false = defaultdict(list), 0, 0
        for one in range(count):
            scene = scene_of(way, np.random.default_rng([seed, number, one]))
            numbers, warnings, causes, why, ties = asked(scene.readings())
            total += 1
            for said in kinds(warnings):
                words[said] += 1
            false += bool(set(causes) - {"spikes"})
            if why is not None:
                no += 1
                refused[(way, re.sub(r"\d[\d.,]*", "#", why)[:100])] += 1
                continue
            for name, away in off(numbers, scene.truth, ties).items():
                mine[name].append(away <= 1.0)
                held[name].append(away <= 1.0)
        falsely += false
        shown = "  ".join(f"{name} {100 * np.mean(got):.0f}" for name, got in mine.items())
        print(f"{way:26s}{count:5d}{no:8d}{false:6d}  {shown}", flush=True)
    print(
        f"all: {total} runs, {sum(refused.values())} refused, {falsely} with a false word; coverage", end=" "
    )
    print("  ".join(f"{name} {100 * np.mean(got):.1f}" for name, got in held.items()))
    for (way, why), often in refused.most_common():
        print(f"   refused {often:4d}  {way}: {why}")
    for said, often in words.most_common(40):
        print(f"   said {100 * often / total:5.1f} %  {said[:150]}")


def lied(lies, ways, scene_of, count, seed):
    print(f"{'lie':30s}{'runs':>5s}{'silent':>7s}{'named':>6s}{'said':>5s}{'refused':>8s}{'harmless':>9s}")
    totals = Counter()
    for number, (name, (word, lie)) in enumerate(lies.items()):
        tally = Counter()
        worst = []
        for one in range(count):
            way = ways[(7 * number + one) % len(ways)]
            rng = np.random.default_rng([seed, 1000 + number, one])
            scene = scene_of(way, rng)
            told = lie(scene, rng)
            numbers, warnings, causes, why, ties = asked(told.readings())
            _, usual, usual_causes, _, _ = asked(scene.readings())
            tally["runs"] += 1
            new = kinds(warnings) - kinds(usual)
            tally["named"] += word in causes
            if why is not None:
                tally["refused"] += 1
                continue
            away = off(numbers, scene.truth, ties)
            wrong = {k: round(v, 1) for k, v in away.items() if v > LOOSE}
            if new or set(causes) - set(usual_causes):
                tally["said"] += 1
            elif wrong:
                tally["silent"] += 1
                worst.append((way, wrong))
            else:
                tally["harmless"] += 1
        totals.update(tally)
        print(
            f"{name:30s}{tally['runs']:5d}{tally['silent']:7d}{tally['named']:6d}{tally['said']:5d}"
            f"{tally['refused']:8d}{tally['harmless']:9d}  {worst[:2] if worst else ''}",
            flush=True,
        )
    print(f"all: {dict(totals)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--sound", type=int, default=20)
    parser.add_argument("--lied", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--roll", action="store_true")
    parser.add_argument("--flex", action="store_true")
    parser.add_argument("--only", default="", help="ways or lies whose name holds this")
    given = parser.parse_args()
    both = not (given.roll or given.flex)
    start = time.perf_counter()
    for wanted, ways, few, lies, scene_of in (
        (given.roll or both, ROLL_WAYS, CONTINUOUS, ROLL_LIES, roll_scene),
        (given.flex or both, FLEX_WAYS, FLEX_LIED, FLEX_LIES, flex_scene),
    ):
        if not wanted:
            continue
        if given.sound:
            sound([way for way in ways if given.only in way], scene_of, given.sound, given.seed)
        if given.lied:
            some = {name: lie for name, lie in lies.items() if given.only in name}
            lied(some, few, scene_of, given.lied, given.seed)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
