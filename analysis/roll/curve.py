"""The arrays behind a figure of a roll run."""

from __future__ import annotations

import numpy as np

from analysis.angles import TURN
from analysis.estimate import Estimate, coverage_factor
from analysis.roll import model
from analysis.roll.estimator import Fitted
from analysis.roll.result import RollCurve
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, Blank, energy_of

_GRID = 361
"""Angles in the curves."""


def curve_of(
    sifted: Sifted,
    fitted: Fitted,
    blank: Blank,
    travel: float,
    initial: Estimate | None,
) -> RollCurve:
    """Readings with drift and friction taken off, the model over one turn with its half-width, the energy."""
    scale = float(sifted.travel.mean())
    grid = np.linspace(0.0, TURN, _GRID)
    waves = np.exp(1j * grid)
    columns = fitted.columns
    at_grid = np.zeros((fitted.values.size, grid.size))
    for row in range(SIZE):
        up, down = fitted.core.copy(), fitted.core.copy()
        size = 1e-6 * max(abs(fitted.core[0]), abs(fitted.core[row]))
        up[row] += size
        down[row] -= size
        at_grid[row] = (
            model.core_at(grid, scale, fitted.kind, up) - model.core_at(grid, scale, fitted.kind, down)
        ) / (2.0 * size)
    wave = waves * waves
    for row in range(columns.waves, fitted.values.size, 2):
        wave = wave * waves
        at_grid[row], at_grid[row + 1] = wave.real, wave.imag
    shown = model.core_at(grid, scale, fitted.kind, fitted.core)
    shown = shown + fitted.values[columns.waves :] @ at_grid[columns.waves :]
    nuisance = fitted.values[SIZE : columns.waves] @ columns.rows[SIZE : columns.waves]
    variance = np.einsum("ki,kl,li->i", at_grid, fitted.values_spread, at_grid)
    k0 = None if initial is None else initial.value
    energy = energy_of(blank, travel, k0)(grid)
    return RollCurve(
        roll=np.mod(sifted.roll, TURN),
        reading=sifted.reading - nuisance,
        left_out=fitted.spike.astype(float),
        grid=grid,
        model=shown,
        model_ci95=coverage_factor(fitted.dof) * np.sqrt(np.maximum(variance, 0.0)),
        energy=energy - energy.min(),
    )
