"""Draw the figures of ``what_the_hand_feels.md``: three invented blanks, rolled without noise to speak of.

python docs/make_figures.py
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from analysis.readings import RollReadings
from analysis.roll import RollResult, fit_roll
from analysis.show import figures

HERE = Path(__file__).parent / "figures"
TRAVEL_M, LENGTH_M, STIFFNESS = 0.45, 1.8, 4.0
BLANKS = {
    "no_bow": (0.02, 0.0),
    "little_bow": (0.02, 0.0018),
    "strong_bow": (0.01, 0.012),
}
"""Anisotropy as a fraction, bow in m; the stiff plane is at 40°, the bow toward 100°."""


def rolled(anisotropy: float, bow_m: float) -> RollResult:
    """Roll a blank one turn on and one back and fit it."""
    n = 1440
    roll = np.concatenate([np.linspace(0.0, 2.0 * math.pi, n), np.linspace(2.0 * math.pi, 0.0, n)])
    plane, toward = math.radians(40.0), math.radians(100.0)
    load = TRAVEL_M * STIFFNESS * (1.0 + 0.5 * anisotropy * np.cos(2.0 * (roll - plane)))
    load -= STIFFNESS * bow_m * np.cos(roll - toward)
    load += 0.001 * np.random.default_rng(1).standard_normal(load.size)
    readings = RollReadings(np.arange(load.size) / 80.0, roll, load, None, TRAVEL_M, None, LENGTH_M)
    return fit_roll(readings, curve=True)


def main() -> None:
    """Write every figure."""
    HERE.mkdir(exist_ok=True)
    for name, (anisotropy, bow_m) in BLANKS.items():
        result = rolled(anisotropy, bow_m)
        for what, draw in (("energy", figures.roll_energy), ("further", figures.roll_further)):
            if what == "further" and name != "little_bow":
                continue
            figure, axes = figures.new_figure()
            draw(axes, result)
            text = figures.to_svg(figure, title=f"{name.replace('_', ' ')}: {what}", ident=f"{name}-{what}")
            (HERE / f"{name}_{what}.svg").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
