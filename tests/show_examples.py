"""Results made by hand: what the tests of tables, figures and pages show. Every number is invented."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analysis.bend.result import ClassCall, FlexCurve, FlexResult, Station
from analysis.decide.batch import BatchResult, Metric
from analysis.estimate import Estimate, Share
from analysis.roll.result import Mark, RollCurve, RollResult, Snap


def degrees(value: float, ci95: float) -> Estimate:
    """An angle given in degrees with a 95 % half-width that is all noise with many readings."""
    return Estimate(math.radians(value), math.radians(ci95) / 1.959963984540054)


def sure(value: float, ci95: float) -> Estimate:
    """A value with a 95 % half-width that is all noise with many readings."""
    return Estimate(value, ci95 / 1.959963984540054)


def roll_curve(plane_deg: float = 34.0, bow_deg: float = 100.0, seed: int = 1) -> RollCurve:
    """A load over the roll with a 2-per-turn and a 1-per-turn part, and three spikes left out."""
    rng = np.random.default_rng(seed)
    roll = rng.uniform(0.0, 2.0 * math.pi, 400)

    def load(angle: np.ndarray) -> np.ndarray:
        plane, bow = math.radians(plane_deg), math.radians(bow_deg)
        return 4.5 + 0.06 * np.cos(2 * (angle - plane)) - 0.03 * np.cos(angle - bow)

    reading = load(roll) + rng.normal(0.0, 0.012, roll.size)
    left_out = np.zeros(roll.size)
    left_out[:3] = 1.0
    reading[:3] += 0.15
    grid = np.linspace(0.0, 2.0 * math.pi, 361)
    energy = 0.45 * (
        0.5 * 0.06 * np.cos(2 * (grid - math.radians(plane_deg)))
        - 0.03 * np.cos(grid - math.radians(bow_deg))
    )
    return RollCurve(
        roll, reading, left_out, grid, load(grid), np.full(grid.size, 0.003), energy - energy.min()
    )


def roll_result(**changes: object) -> RollResult:
    """A clear blank: stiff plane at 34°, firmest snap at 119.6°, a second one at 309.2°."""
    result = RollResult(
        travel_m=0.45,
        free_length_m=1.8,
        plane_found=True,
        plane_p_value=1e-9,
        stiff_plane=Estimate(
            math.radians(34.0), math.radians(0.2), shares=(Share("bow", math.radians(0.13)),)
        ),
        anisotropy=sure(0.0271, 0.0009),
        stiffness=Estimate(10.02, 0.004, shares=(Share("calibration", 0.05, shared=True),)),
        bow=sure(0.0031, 0.0004),
        bow_direction=degrees(100.0, 5.0),
        snaps=(
            Snap(degrees(119.6, 0.8), sure(0.0361, 0.0022), "both"),
            Snap(degrees(309.2, 1.1), sure(0.0198, 0.0019), "stiffness"),
        ),
        barrier_corrected=True,
        mark=Mark(degrees(119.6, 0.8), "snap", None, "The tape goes on the firmest snap."),
        coverage=1.0,
        turns=2.1,
        harmonics=2,
        friction=sure(0.011, 0.002),
        noise=0.012,
        curve=roll_curve(),
        warnings=(),
    )
    return replace(result, **changes)  # type: ignore[arg-type]


def unknown_roll() -> RollResult:
    """A run that tells next to nothing."""
    return roll_result(
        plane_found=False,
        plane_p_value=math.nan,
        stiff_plane=degrees(12.0, 80.0),
        anisotropy=None,
        stiffness=Estimate(10.0, math.nan, reason="one reading"),
        bow=None,
        bow_direction=None,
        snaps=(),
        mark=Mark(None, "snap", None, "no snap position can be told"),
        coverage=0.25,
        curve=None,
        warnings=("only 90° of the turn is covered; roll at least 120°",),
    )


def flex_curve() -> FlexCurve:
    """Readings up and down about a stiffening curve, with three shapes."""
    rng = np.random.default_rng(2)
    up = np.linspace(0.02, 0.55, 60)
    travel = np.concatenate([up, up[::-1]])
    loading = np.concatenate([np.ones(60), -np.ones(60)])
    x = travel / 1.8
    load = 18.0 * x * (1 + 0.6 * x**2) * (1 + 0.01 * loading) + rng.normal(0.0, 0.012, travel.size)
    grid = np.linspace(0.0, 0.58, 50)
    u = grid / 1.8
    shapes = []
    for part, load_n in ((0.15, 1.4), (0.3, 2.9), (0.55, 5.6)):
        s = np.linspace(0.0, 1.0, 60)
        y = part * 0.5 * (3 * s**2 - s**3)
        shapes.append((load_n, 1.8 * s - 0.35 * part**2 * s**3, y))
    return FlexCurve(
        load,
        travel,
        1.6 * x,
        loading,
        18.0 * u * (1 + 0.6 * u**2),
        grid,
        tuple(shapes),
    )


def flex_result(**changes: object) -> FlexResult:
    """A medium, moderate-fast blank whose label claims both."""
    stations = tuple(
        Station(s, 1.8 - s, sure(11.0 * (1 - 0.62 * s / 1.8) ** 3, 0.05 + 0.25 * abs(s - 0.9)))
        for s in np.linspace(0.0, 1.8, 13)
    )
    result = FlexResult(
        free_length_m=1.8,
        rated_length_m=1.8,
        reference_load=Estimate(4.522, 0.004, shares=(Share("calibration", 0.02, shared=True),)),
        even_blank_rigidity=sure(17.31, 0.09),
        bend_centre=sure(0.4031, 0.0021),
        initial_stiffness=sure(9.71, 0.06),
        hysteresis=sure(0.021, 0.002),
        power_class=ClassCall("medium", (("medium-light", 0.02), ("medium", 0.9), ("medium-heavy", 0.08))),
        action_class=ClassCall("fast", (("fast", 0.62), ("moderate-fast", 0.38))),
        label_power_probability=0.9,
        label_action_probability=0.38,
        rigidity=stations,
        extrapolated=False,
        curve=flex_curve(),
        warnings=(),
    )
    return replace(result, **changes)  # type: ignore[arg-type]


def metric(name: str = "reference_load", verdict: str = "not consistent", **changes: object) -> Metric:
    """Five blanks, the fourth of them strong."""
    values = {
        f"A-0{index + 1}": Estimate(load, 0.01, shares=(Share("calibration", 0.02, shared=True),))
        for index, load in enumerate((4.50, 4.52, 4.49, 5.01, 4.55))
    }
    made = Metric(
        name=name,
        unit="N",
        tolerance_unit="pct_of_median",
        values=values,
        spread=11.5,
        tolerance=5.0,
        p_consistent=1.0,
        p_not_consistent=1e-6,
        probability_within=0.001,
        verdict=verdict,  # type: ignore[arg-type]
        advice="",
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def batch_result(**changes: object) -> BatchResult:
    """Power fails, action holds, bow is undecided."""
    centre = {f"A-0{i + 1}": sure(0.40 + 0.001 * i, 0.002) for i in range(5)}
    bow = {f"A-0{i + 1}": sure(0.002 + 0.001 * i, 0.0012) for i in range(5)}
    result = BatchResult(
        verdict="not consistent",
        metrics=(
            metric(),
            metric(
                "bend_centre",
                "consistent",
                unit="1",
                tolerance_unit="1",
                values=centre,
                spread=0.004,
                tolerance=0.015,
                p_consistent=0.001,
                p_not_consistent=1.0,
                probability_within=0.99,
            ),
            metric(
                "bow",
                "undecided",
                unit="m",
                tolerance_unit="m",
                values=bow,
                spread=0.004,
                tolerance=0.005,
                p_consistent=0.3,
                p_not_consistent=0.6,
                probability_within=0.7,
                advice="roll A-01 and A-05 three more times each",
            ),
        ),
        odd_one_out="A-04",
        odd_why="without A-04 the rest are within 1.3 % of each other",
        warnings=(),
    )
    return replace(result, **changes)  # type: ignore[arg-type]
