"""The same blank on three rigs, and clamped deeper: its rating, and the load at a fixed travel beside it.

    python benchmarks/rigs_alike.py [seeds]

A counter along the pull, a winch whose string runs to an eye, and a swing arm with a roller; each rig is
recorded from its bytes over a real port, the winch's and the arm's places known 1 mm wrong. All are rated at
2.10 m.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.bend import Profile, fit_flex, load_for_travel
from analysis.readings import Floats
from rig.line import Decoder
from rig.port.handshake import identify
from rig.port.link import open_link
from rig.recording.channels import converter
from rig.recording.recorder import Recorder, drive
from rig.runs import Header, Run, RunWriter, flex_readings, read_run
from rig.settings import Settings
from rig.virtual import Blank, Flex, Gear, VirtualRig, load_blanks
from rig.virtual.gear import example_arm, example_winch

LENGTH, DEEPER, FIXED = 2.10, 0.030, 0.40


def recorded(blank: Blank, gear: Gear, believed: Gear, seed: int, folder: Path) -> Run:
    """Flex a blank on a rig and read the run file back."""
    calibration = believed.calibration()
    with VirtualRig([blank], seed=seed, speed=None, gear=gear, streaming=False) as rig:
        rig.bench.mount(blank.name)
        with open_link(rig.url) as link:
            source = Decoder()
            hello = identify(link, source).hello
            task = rig.bench.do(Flex(0.62, speed_m_s=0.1))
            header = Header(
                kind="flex",
                blank=blank.name,
                free_length_m=blank.free_length,
                pull="sideways",
                roll_deg=0.0,
                tables={"calibration": calibration.to_tables(), "rig": {"free_length_ci95_m": 0.0005}},
            )

            def open_run(first: Mapping[str, Floats]) -> RunWriter:
                return RunWriter(folder / "flex.csv", header, list(first))

            recorder = Recorder(
                source,
                hello,
                converter(hello, calibration, 0.0, ["roll_deg"]),
                open_run,
                clock=time.monotonic,
            )
            wanted = task.readings(hello.rate_hz)
            drive(
                link,
                recorder,
                done=lambda now: "the hand is done" if now.readings >= wanted else None,
                clock=time.monotonic,
            )
    assert recorder.writer is not None
    return read_run(recorder.writer.path)


def at_fixed_travel(run: Run) -> float:
    """Load at a fixed travel, mean of up and down, N: what is written down without a model."""
    travel, load = run.columns["travel_m"], run.columns["load_N"]
    near = np.abs(travel - FIXED) < 0.02
    return float(np.polyval(np.polyfit(travel[near] - FIXED, load[near], 1), 0.0))


def main() -> None:
    """Record, rate and print."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    blank = next(item for item in load_blanks() if item.name == "P-1")
    whole = blank.rigidity
    deeper = replace(
        blank,
        free_length=LENGTH - DEEPER,
        rigidity=Profile.of(lambda s: whole.EI(s + DEEPER), LENGTH - DEEPER, 401),
    )
    winch, arm = example_winch(LENGTH), example_arm(LENGTH)
    rigs = {
        "counter": (blank, Gear(), Gear()),
        "winch": (
            blank,
            Gear(geometry=winch),
            Gear(geometry=replace(winch, guide_x_m=(winch.guide_x_m or 0.0) + 1e-3)),
        ),
        "arm": (blank, Gear(geometry=arm), Gear(geometry=replace(arm, pivot_x_m=arm.pivot_x_m - 1e-3))),
        "clamped 30 mm deeper": (deeper, Gear(), Gear()),
    }
    side = 1.0 + 0.5 * blank.anisotropy * np.cos(2.0 * blank.stiff_plane)
    shape = load_for_travel(whole, 0.25 * LENGTH)
    print(f"true: reference load {shape.load_N * side:.4f} N, bend centre {shape.bend_centre:.4f}")
    print(
        f"{seeds} runs a rig         reference load N  inside    bend centre   inside   load at {FIXED} m, N"
    )
    first = None
    for name, (item, gear, believed) in rigs.items():
        loads, centres, naive = [], [], []
        for seed in range(seeds):
            with tempfile.TemporaryDirectory() as folder:
                run = recorded(item, gear, believed, seed, Path(folder))
            found = fit_flex(flex_readings(run, Settings()), rated_length_m=LENGTH)
            assert found.bend_centre is not None
            loads.append((found.reference_load.value, found.reference_load.ci95))
            centres.append((found.bend_centre.value, found.bend_centre.ci95))
            naive.append(at_fixed_travel(run))
        load, centre = np.array(loads), np.array(centres)
        first = first or float(np.mean(naive))
        print(
            f"{name:22} {load[:, 0].mean():8.4f} ± {load[:, 1].mean():.4f}"
            f" {np.mean(np.abs(load[:, 0] - shape.load_N * side) <= load[:, 1]):8.2f}"
            f" {centre[:, 0].mean():9.4f} ± {centre[:, 1].mean():.4f}"
            f" {np.mean(np.abs(centre[:, 0] - shape.bend_centre) <= centre[:, 1]):5.2f}"
            f" {np.mean(naive):12.3f} ({100.0 * (float(np.mean(naive)) / first - 1.0):+.1f} %)"
        )


if __name__ == "__main__":
    main()
