"""One blank on a counter, on a winch and on a swing arm, and clamped deeper: the same ratings, end to end.

Bytes over a real port → run file → flex. The rigs' geometries are known no better than a ruler tells, and the
run files carry what the shop believes, not what is.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import Run

from analysis.bend import Profile, Taper, fit_flex, load_for_travel
from rig.calibration import Calibration, save_calibration
from rig.runs import flex_readings, read_run
from rig.runs.recompute import recompute
from rig.settings import Settings
from rig.virtual import Flex, Gear, VirtualRig, load_blanks
from rig.virtual.blanks import Blank
from rig.virtual.gear import example_arm, example_winch

LENGTH, DEEPER = 2.10, 0.030
BLANK = next(blank for blank in load_blanks() if blank.name == "P-1")
assert isinstance(BLANK.rigidity, Taper)
EI = BLANK.rigidity.EI


def clamped_deeper() -> Blank:
    rigidity = Profile.of(lambda s: EI(s + DEEPER), LENGTH - DEEPER, 401)
    return replace(BLANK, free_length=LENGTH - DEEPER, rigidity=rigidity)


@contextmanager
def bench(blank: Blank, gear: Gear, believed: Gear, folder: Path, seed: int) -> Iterator[VirtualRig]:
    save_calibration(believed.calibration("2026-05-09T08:30"), folder)
    with VirtualRig([blank], seed=seed, speed=None, gear=gear, streaming=False) as rig:
        rig.bench.mount(blank.name)
        yield rig


def rated(run: Run, where: Path, name: str, blank: Blank, gear: Gear, believed: Gear, seed: int):
    """Record a flex run on a rig and rate it at the length of the whole blank; the run and its document."""
    folder = where / name
    settings = where / f"{name}.toml"
    settings.write_text(
        f'[shop]\nruns = "{folder.as_posix()}"\ncalibrations = "{(folder / "known").as_posix()}"\n'
        '[rig]\nfree_length_ci95_m = 0.0005\npull = "sideways"\n',
        "utf-8",
    )
    with bench(blank, gear, believed, folder / "known", seed) as rig:
        task = rig.bench.do(Flex(0.62, speed_m_s=0.1))
        seconds = f"{task.duration_s - 0.05:.2f}"
        recorded = run(
            "record", "flex", "--port", rig.url, "--blank", blank.name, "--mount", "0", "--seconds", seconds,
            "--free-length", f"{blank.free_length:.3f}", "--settings", settings, "--json",
        )  # fmt: skip
        assert recorded.status == 0, recorded.err
    path = recorded.document["run"]
    outcome = run("flex", path, "--rated-length", f"{LENGTH:.3f}", "--settings", settings, "--json")
    assert outcome.status == 0, outcome.err
    return read_run(path), json.loads(outcome.out)[0]


def at_fixed_travel(recorded, travel: float = 0.40) -> float:
    """What a shop without a model writes down: the mean load at a travel, up and down."""
    columns = recorded.columns
    near = np.abs(columns["travel_m"] - travel) < 0.02
    return float(np.polyval(np.polyfit(columns["travel_m"][near] - travel, columns["load_N"][near], 1), 0.0))


def rigs() -> dict[str, tuple[Blank, Gear, Gear]]:
    """By name: what is in the chuck, the rig, and the rig as the shop believes it to be."""
    winch, arm = example_winch(LENGTH), example_arm(LENGTH)
    known_winch = replace(
        winch, guide_x_m=winch.guide_x_m + 1e-3, guide_y_m=winch.guide_y_m - 1e-3, drum_radius_m=0.020005
    )
    known_arm = replace(arm, pivot_x_m=arm.pivot_x_m - 1e-3, pivot_y_m=arm.pivot_y_m + 1e-3)
    return {
        "counter": (BLANK, Gear(), Gear()),
        "winch": (BLANK, Gear(geometry=winch), Gear(geometry=known_winch)),
        "arm": (BLANK, Gear(geometry=arm), Gear(geometry=known_arm)),
        "deeper": (clamped_deeper(), Gear(), Gear()),
    }


def test_ratings_agree_between_rigs_where_the_load_at_a_fixed_travel_does_not(
    run: Run, tmp_path: Path
) -> None:
    # The side that faces the pull is at blank angle 0: its stiffness is that of the runs, on every rig.
    side = 1.0 + 0.5 * BLANK.anisotropy * np.cos(2.0 * BLANK.stiff_plane)
    true = load_for_travel(BLANK.rigidity, 0.25 * LENGTH)
    found, naive = {}, {}
    for seed, (name, (blank, gear, believed)) in enumerate(rigs().items()):
        recorded, found[name] = rated(run, tmp_path, name, blank, gear, believed, seed)
        naive[name] = at_fixed_travel(recorded)
    for name, document in found.items():
        off = document["reference_load_N"] - true.load_N * side
        assert abs(off) <= document["reference_load_ci95_N"], name
        assert document["reference_load_ci95_N"] < 0.015 * true.load_N, name
        off = document["bend_centre"] - true.bend_centre
        assert abs(off) <= document["bend_centre_ci95"], name
    for one in found.values():
        for other in found.values():
            for key in ("reference_load_N", "bend_centre", "even_blank_rigidity_Nm2"):
                parts = key.rpartition("_")
                half = f"{parts[0]}_ci95_{parts[2]}" if key != "bend_centre" else "bend_centre_ci95"
                if half in one:
                    assert abs(one[key] - other[key]) <= np.hypot(one[half], other[half])
    for name, load in naive.items():
        if name != "counter":
            apart = abs(load / naive["counter"] - 1.0)
            assert apart > 3.0 * found[name]["reference_load_ci95_N"] / found[name]["reference_load_N"], name


def test_a_sensor_on_the_drum_that_begins_again_each_turn_is_followed_through_the_run(
    run: Run, tmp_path: Path
) -> None:
    winch = Gear(geometry=example_winch(LENGTH))
    recorded, _ = rated(run, tmp_path, "winch", BLANK, winch, winch, 1)
    counts = recorded.columns["travel_counts"]
    assert counts.min() >= 0
    assert counts.max() < 4096
    assert np.sum(np.abs(np.diff(counts)) > 2048) >= 8  # four turns on and four back
    assert recorded.columns["travel_m"].max() == pytest.approx(0.62, abs=0.004)
    assert recorded.header.tables["calibration"]["travel"]["geometry"]["kind"] == "winch"


def test_a_better_geometry_applied_later_to_the_raw_counts_moves_the_rating_to_the_truth(
    run: Run, tmp_path: Path
) -> None:

    true = example_winch(LENGTH)
    wrong = replace(true, drum_radius_m=0.0206, guide_y_m=true.guide_y_m + 0.05)
    recorded, document = rated(run, tmp_path, "w", BLANK, Gear(geometry=true), Gear(geometry=wrong), 1)
    better = Gear(geometry=true).calibration("2026-06-01T08:00")
    again = recompute(recorded, Calibration(travel=better.travel))
    found = fit_flex(flex_readings(again, Settings()), rated_length_m=LENGTH).reference_load
    side = 1.0 + 0.5 * BLANK.anisotropy * np.cos(2.0 * BLANK.stiff_plane)
    truth = load_for_travel(BLANK.rigidity, 0.25 * LENGTH).load_N * side
    assert abs(found.value - truth) <= found.ci95
    assert abs(document["reference_load_N"] - truth) > 3.0 * found.ci95
