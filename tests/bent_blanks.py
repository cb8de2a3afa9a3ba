"""Bent blanks for the tests, by shooting with SciPy's ODE solver: apart from the package's own solver."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from analysis.readings import FlexReadings

EI = Callable[[float], float]


def bend(rigidity: EI, length: float, load: float) -> tuple[float, float, float]:
    """Travel, tip slope and ∫θ ds of a cantilever under a dead load at its tip: EI·θ' = F·(x(L) − x(s)).

    Integrated from the tip backwards: with θ_tip guessed, M(0) = 0 there, and θ must vanish at the chuck.
    """

    def run(tip: float) -> np.ndarray:
        def slope(t: float, y: np.ndarray) -> list[float]:  # t from the tip
            theta, moment, *_ = y
            return [-moment / rigidity(length - t), load * math.cos(theta), math.sin(theta), theta]

        out = solve_ivp(slope, (0.0, length), [tip, 0.0, 0.0, 0.0], rtol=1e-9, atol=1e-11)
        return out.y[:, -1]

    if load == 0.0:
        return 0.0, 0.0, 0.0
    tip = brentq(lambda guess: run(guess)[0], 1e-9, 1.55, xtol=1e-12)
    _, _, travel, turn = run(tip)
    return float(travel), tip, float(turn)


@cache
def _curve(
    name: str, length: float, most: float, station: float | None = None
) -> tuple[CubicSpline, CubicSpline, float, float]:
    """Load and tip slope over travel, reference load and bend centre (of the part up to a station).

    What lies beyond a load's station stays straight: the part up to it bends like a blank that ends there.
    """
    rigidity = BLANKS[name](length)
    length = station or length
    loads = np.concatenate([[0.0], np.geomspace(0.002, 1.0, 28) * most])
    shapes = [bend(rigidity, length, float(load)) for load in loads]
    travel = np.array([shape[0] for shape in shapes])
    reference = brentq(lambda load: bend(rigidity, length, load)[0] - 0.25 * length, 0.05 * most, most)
    _, tip, turn = bend(rigidity, length, reference)
    centre = turn / (length * tip)
    return (
        CubicSpline(travel, loads),
        CubicSpline(travel, [shape[1] for shape in shapes]),
        float(reference),
        float(centre),
    )


BLANKS: dict[str, Callable[[float], EI]] = {
    "thin tube": lambda L: lambda s: 20.0 * (1.0 - 0.75 * s / L) ** 3,
    "cone": lambda L: lambda s: 25.0 * (1.0 - 0.65 * s / L) ** 4,
    "stepped": lambda L: (
        lambda s: 20.0 * (1.0 - 0.7 * s / L) ** 3 * (1.0 - 0.06 * (1.0 + math.tanh((s / L - 0.45) / 0.03)))
    ),
}


def flexed(
    name: str = "thin tube",
    *,
    length: float = 1.8,
    furthest: float = 1.0 / 3.0,
    readings: int = 400,
    seed: int = 1,
    noise: tuple[float, float, float] = (0.012, 0.8e-3, math.radians(0.25)),
    hysteresis: float = 0.0,
    both_ways: bool = True,
    tip: bool = True,
    side: float = 1.0,
    drift_N: float = 0.0,
    station: float | None = None,
) -> FlexReadings:
    """One flex run with noise; `side` multiplies the load, `station` is where it acts."""
    rng = np.random.default_rng(seed)
    load_at, tip_at, _, _ = _curve(name, length, 6.0 if station is None else 16.0, station)
    up = np.linspace(0.0, furthest * (station or length), readings // 2 if both_ways else readings)
    travel = np.concatenate([up, up[::-1]]) if both_ways else up
    way = np.where(np.arange(travel.size) < up.size, 1.0, -1.0)
    load = load_at(travel) * side * (1.0 + 0.5 * hysteresis * way)
    load = load + drift_N * np.linspace(0.0, 1.0, travel.size)
    n = travel.size
    return FlexReadings(
        time_s=np.arange(n) / 20.0,
        load_N=load + noise[0] * rng.standard_normal(n),
        travel_m=travel + noise[1] * rng.standard_normal(n),
        tip=tip_at(travel) + noise[2] * rng.standard_normal(n) if tip else None,
        free_length_m=length,
        station_m=station,
        roll=0.0,
    )


def truth(name: str = "thin tube", length: float = 1.8) -> tuple[float, float]:
    """Reference load, N, and bend centre."""
    _, _, load, centre = _curve(name, length, 6.0)
    return load, centre
