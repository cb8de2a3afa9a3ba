"""The shipped runs against the truth they were made from: a test of the plumbing, through ``--json``.

At least nine in ten true values must lie within the printed 95 % half-widths.
"""

from __future__ import annotations

from typing import Any

from command_line import SAMPLES, Run

from analysis.angles import difference

ROLLS = sorted(str(path) for path in SAMPLES.glob("*roll*"))
FLEXES = sorted(str(path) for path in SAMPLES.glob("*flex*"))


def share(hits: list[bool]) -> float:
    return sum(hits) / len(hits)


def test_planes_bows_and_snaps_of_the_shipped_runs(run: Run, truth: dict[str, dict[str, Any]]) -> None:
    found = run("spine", *ROLLS, "--json").document
    hits = []
    for record in found:
        true = truth[record["blank"]]
        hits += [
            abs(record["anisotropy_pct"] - true["anisotropy_pct"]) <= record["anisotropy_ci95_pct"],
            abs(record["stiffness_N_per_m"] - true["stiffness_N_per_m"]) <= record["stiffness_ci95_N_per_m"],
            abs(record["bow_m"] - true["bow_m"]) <= record["bow_ci95_m"],
            abs(difference(record["bow_deg"], true["bow_deg"], 360.0)) <= record["bow_ci95_deg"],
            len(record["snap_deg"]) == len(true["snap_deg"]),
        ]
        if record["plane_found"]:
            away = abs(difference(record["stiff_plane_deg"], true["stiff_plane_deg"], 180.0))
            hits.append(away <= record["stiff_plane_ci95_deg"])
        for snap, half, barrier, barrier_half in zip(
            record["snap_deg"],
            record["snap_ci95_deg"],
            record["snap_barrier_J"],
            record["snap_barrier_ci95_J"],
            strict=True,
        ):
            apart = [abs(difference(snap, other, 360.0)) for other in true["snap_deg"]]
            nearest = apart.index(min(apart))
            hits += [
                apart[nearest] <= half,
                abs(barrier - true["snap_barrier_J"][nearest]) <= barrier_half,
            ]
    assert len(hits) > 40
    assert share(hits) >= 0.9


def test_a_plane_far_below_the_noise_is_not_claimed(run: Run, truth: dict[str, dict[str, Any]]) -> None:
    found = {record["blank"]: record for record in run("spine", *ROLLS, "--json").document}
    assert [blank for blank, record in found.items() if not record["plane_found"]] == ["P-4"]
    assert found["P-4"]["stiff_plane_deg"] is None
    assert found["P-4"]["stiff_plane_ci95_deg"] is None
    assert found["P-4"]["bow_m"] is not None


def test_a_bow_that_beats_the_stiffness_makes_one_snap_far_from_the_soft_plane(run: Run) -> None:
    record = {r["blank"]: r for r in run("spine", *ROLLS, "--json").document}["P-3"]
    soft = record["stiff_plane_deg"] + 90.0
    assert len(record["snap_deg"]) == 1
    assert abs(difference(record["snap_deg"][0], soft, 180.0)) > 30.0


def test_power_and_action_of_the_shipped_runs(run: Run, truth: dict[str, dict[str, Any]]) -> None:
    rolls = [word for path in ROLLS for word in ("--roll", path)]
    hits = []
    for record in run("flex", *FLEXES, *rolls, "--json").document:
        true = truth[record["blank"]]
        even = record["even_blank_rigidity_ci95_Nm2"]
        hits += [
            abs(record["reference_load_N"] - true["reference_load_N"]) <= record["reference_load_ci95_N"],
            abs(record["even_blank_rigidity_Nm2"] - true["even_blank_rigidity_Nm2"]) <= even,
            abs(record["bend_centre"] - true["bend_centre"]) <= record["bend_centre_ci95"],
            abs(record["initial_stiffness_N_per_m"] - true["initial_stiffness_N_per_m"])
            <= record["initial_stiffness_ci95_N_per_m"],
        ]
        for station in record["rigidity"]:
            EI = dict(map(tuple, true["rigidity"]))
            if station["s_m"] in EI:
                hits.append(abs(station["EI_Nm2"] - EI[station["s_m"]]) <= station["EI_ci95_Nm2"])
    assert len(hits) >= 20
    assert share(hits) >= 0.9


def test_the_batch_is_off_in_power_and_its_values_are_true(
    run: Run, truth: dict[str, dict[str, Any]]
) -> None:
    batch = run("batch", *ROLLS, *FLEXES, "--json").document
    metrics = batch["metrics"]
    assert batch["verdict"] == "not consistent"
    assert metrics["reference_load"]["verdict"] == "not consistent"
    assert metrics["bend_centre"]["verdict"] == "consistent"
    names = {
        "reference_load": ("reference_load_N", 1.0),
        "bend_centre": ("bend_centre", 1.0),
        "stiffness": ("stiffness_N_per_m", 1.0),
        "anisotropy": ("anisotropy_pct", 1.0),
        "bow": ("bow_m", 1.0),
    }
    hits = [
        abs(value - truth[blank][key]) <= metrics[name]["values_ci95"][blank]
        for name, (key, _) in names.items()
        for blank, value in metrics[name]["values"].items()
    ]
    assert len(hits) == 25
    assert share(hits) >= 0.9


def test_without_the_stiff_one_the_others_are_alike_in_power(run: Run) -> None:
    others = [path for path in FLEXES if "P-2" not in path]
    batch = run("batch", *others, "--json").document
    assert batch["metrics"]["reference_load"]["verdict"] == "consistent"
    every = run("batch", *FLEXES, "--json").document
    assert every["odd_one_out"] == "P-2"
