"""Record the runs in ``sample_runs/`` anew: five invented blanks, rolled and flexed on the virtual rig.

    python benchmarks/sample_runs.py [FOLDER]

The bytes go the whole way: board, pseudo-terminal (TCP where there is none), link, decoder, recorder, run
file. The same code and seed give the same files. ``truth.toml`` beside them says what the blanks were made
from and what a perfect reading of them would give.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from analysis.readings import Floats
from rig.calibration import Calibration
from rig.line import Decoder, Hello
from rig.port.handshake import identify
from rig.port.link import Link, open_link
from rig.recording.channels import converter
from rig.recording.recorder import Recorder, drive
from rig.runs import Header, RunFolder, RunWriter
from rig.virtual import Blank, Flex, Gear, Roll, Step, Task, VirtualRig, load_blanks
from rig.virtual.truth import TrueValues, true_values

SEED = 20260509
RATE_HZ = 80
HELD_TRAVEL_M = 0.525
"""A quarter of the free length."""
FIRST = datetime(2026, 5, 9, 9, 0, tzinfo=UTC)
PLACES = ((0.0, 0.0), (90.0, 90.0), (215.5, 0.0), (47.0, 180.0), (330.0, 45.0))
"""For each blank: where its index mark stands in the chuck, and the side of its flex run, deg."""


def shop_calibration(gear: Gear) -> Calibration:
    """Make the calibration that a shop's own weights and ruler would give: near the truth, and not quite."""
    true = gear.calibration("2026-05-09T08:30:00Z")
    assert true.load is not None
    assert true.travel is not None
    return replace(
        true,
        load=replace(true.load, N_per_count=true.load.N_per_count * 1.0007),
        travel=replace(true.travel, m_per_count=true.travel.m_per_count * 0.9997),
    )


def record_all(folder: Path) -> list[Path]:
    """Record the whole batch into a folder and write the truth beside it; gives the run files."""
    blanks = load_blanks()
    paths = []
    with VirtualRig(blanks, seed=SEED, rate_hz=RATE_HZ, speed=None, streaming=False) as rig:
        calibration = shop_calibration(rig.bench.gear)
        with open_link(rig.url) as link:
            source = Decoder()
            hello = identify(link, source).hello
            for number, (blank, (mount, side)) in enumerate(zip(blanks, PLACES, strict=True)):
                rig.bench.mount(blank.name, mount)
                steps: tuple[Step, ...] = (
                    Roll(HELD_TRAVEL_M, turns=(2.0, -2.0), speed_deg_s=45.0, start_deg=-mount),
                    Flex(0.62, roll_deg=side, speed_m_s=0.1),
                )
                for later, step in enumerate(steps):
                    started = FIRST + timedelta(minutes=4 * number + 2 * later)
                    header = header_of(blank, step, mount, started, calibration, hello)
                    task = rig.bench.do(step)
                    paths.append(record(link, source, hello, header, calibration, task, folder))
    truth = tomlkit.dumps(truth_of(blanks))
    (folder / "truth.toml").write_text(truth, "utf-8", newline="\n")
    return paths


def header_of(
    blank: Blank, step: Step, mount: float, started: datetime, calibration: Calibration, hello: Hello
) -> Header:
    """Say what the shop knows of a run before its first reading."""
    rolled = isinstance(step, Roll)
    return Header(
        kind="roll" if rolled else "flex",
        blank=blank.name,
        free_length_m=blank.free_length,
        model=blank.model,
        held_travel_m=HELD_TRAVEL_M if rolled else None,
        mount_deg=mount,
        roll_deg=step.roll_deg if isinstance(step, Flex) else None,
        pull="sideways",
        started=f"{started:%Y-%m-%dT%H:%M:%SZ}",
        operator="Example Operator",
        clamped_length_m=blank.clamped_length,
        length_m=blank.length,
        mass_g=None if blank.mass is None else round(blank.mass * 1e3, 3),
        label_power=blank.label_power,
        label_action=blank.label_action,
        notes="Invented: recorded from the virtual rig.",
        tables={
            "rig": {"device": hello.device, "rate_hz": hello.rate_hz, "free_length_ci95_m": 0.001},
            "calibration": calibration.to_tables(),
        },
    )


def record(
    link: Link,
    source: Decoder,
    hello: Hello,
    header: Header,
    calibration: Calibration,
    task: Task,
    folder: Path,
) -> Path:
    """Record one step of the hand as one run."""
    when = header.when
    assert when is not None
    path = RunFolder(folder).new_path(header.blank, header.kind, when)
    path.unlink(missing_ok=True)
    idle = ["travel_m", "tip_deg"] if header.kind == "roll" else ["roll_deg"]

    def open_run(first: Mapping[str, Floats]) -> RunWriter:
        return RunWriter(path, header, list(first))

    recorder = Recorder(
        source,
        hello,
        converter(hello, calibration, header.mount_deg, idle),
        open_run,
        clock=time.monotonic,
    )
    wanted = task.readings(RATE_HZ)
    drive(
        link,
        recorder,
        done=lambda now: "the hand is done" if now.readings >= wanted else None,
        clock=time.monotonic,
    )
    return path


def truth_of(blanks: Sequence[Blank]) -> dict[str, Any]:
    """Say what is true of each blank, under the names that the program's own JSON has."""
    gear = Gear()
    true = [true_values(blank, HELD_TRAVEL_M) for blank in blanks]
    loads = np.array([values.reference_load for values in true])
    return {
        "about": "Invented blanks: what they were made from, and what a perfect reading of them gives.",
        "batch": {
            "off_in_power": "P-2",
            "bow_beats_stiffness": "P-3",
            "plane_below_noise": "P-4",
            "reference_load_spread_pct": float(100.0 * np.ptp(loads) / np.median(loads)),
        },
        "rig": {
            "load_noise_N": gear.load_noise_N,
            "load_wander_N": gear.load_wander_N,
            "drift_N_per_minute": gear.drift_N,
            "friction_N": gear.friction_N,
            "load_scale_error": 0.0007,
            "travel_scale_error": -0.0003,
        },
        "blank": [true_of(values) for values in true],
    }


def true_of(values: TrueValues) -> dict[str, Any]:
    """Give one blank's table in the truth file."""
    blank = values.blank
    stations = np.linspace(0.0, blank.free_length, 11)
    return {
        "blank": blank.name,
        "model": blank.model,
        "free_length_m": blank.free_length,
        "rigidity": [
            [round(float(s), 4), float(EI)]
            for s, EI in zip(stations, blank.rigidity.EI(stations), strict=True)
        ],
        "anisotropy_pct": 100.0 * blank.anisotropy,
        "stiff_plane_deg": math.degrees(blank.stiff_plane),
        "bow_m": blank.bow,
        "bow_deg": math.degrees(blank.bow_direction),
        "hysteresis_pct": 100.0 * blank.hysteresis,
        "travel_m": values.travel,
        "stiffness_N_per_m": values.stiffness,
        "initial_stiffness_N_per_m": values.initial_stiffness,
        "snap_deg": [math.degrees(snap.angle) for snap in values.snaps],
        "snap_barrier_J": [snap.barrier for snap in values.snaps],
        "snap_from_soft_plane_deg": math.degrees(values.snap_from_soft),
        "reference_load_N": values.reference_load,
        "even_blank_rigidity_Nm2": values.even_blank_rigidity,
        "bend_centre": values.bend_centre,
    }


if __name__ == "__main__":
    begun = time.perf_counter()
    into = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "sample_runs"
    made = record_all(into)
    size = sum(path.stat().st_size for path in made)
    print(f"{len(made)} runs, {size / 1e6:.2f} MB, in {time.perf_counter() - begun:.1f} s: {into}")
