"""From the blank's five numbers and their covariance to what a builder reads: values, noise, a curve."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from analysis.angles import HALF_TURN, TURN, difference, wrap
from analysis.estimate import Estimate, Share, coverage_factor
from analysis.readings import Floats
from analysis.roll import model
from analysis.roll.estimator import Fitted
from analysis.roll.result import RollCurve, Snap
from analysis.roll.shares import LeftOut, Systematics
from analysis.roll.sift import Sifted
from analysis.roll.snaps import (
    Rest,
    cause_of,
    curvature,
    level_by_parts,
    minima,
    rests,
    sampled,
    torque_by_parts,
    two_minima,
)
from analysis.roll.tensor import SIZE, Blank, Matrix, RollEnergy, barrier_factors, energy_of

_WIDEST_SNAP = math.radians(45.0)
"""A snap position that is not known to this is not given."""


def direction(x: float, y: float, spread: Matrix, dof: float, waves: int) -> Estimate | None:
    """Angle of the vector (x, y), divided by `waves`; None where noise alone could have made the vector.

    For a short vector the half-width is that of the exact set of directions (Fieller): sin = t·σ/length,
    with σ across the vector.
    """
    length = math.hypot(x, y)
    if length == 0.0:
        return None
    across = np.array([-y, x]) / length
    sigma = math.sqrt(max(0.0, float(across @ spread @ across)))
    factor = coverage_factor(dof)
    sine = factor * sigma / length
    if sine >= 1.0:
        return None
    half_width = math.asin(sine)
    return Estimate(wrap(math.atan2(y, x) / waves, TURN / waves), half_width / factor / waves, dof)


def plane(blank: Blank, spread: Matrix, dof: float) -> Estimate:
    """Stiff plane (rad) of a 2-per-turn part that passed its test; known to 45° at worst."""
    found = direction(blank.d_cos, blank.d_sin, spread[3:, 3:], dof, 2)
    if found is not None:
        return found
    return Estimate(blank.stiff_plane, 0.25 * HALF_TURN / coverage_factor(dof), dof)


def length(x: float, y: float, spread: Matrix, dof: float) -> Estimate:
    """Length of the vector (x, y), noise taken off: √(x² + y² − tr V), 0 where that is negative.

    A plain length is never zero; of a vector that is not there, it would claim one.
    """
    plain = math.hypot(x, y)
    along = np.array([x, y]) / plain if plain > 0.0 else np.array([1.0, 0.0])
    sigma = math.sqrt(max(0.0, float(along @ spread @ along)))
    value = math.sqrt(max(0.0, plain**2 - float(np.trace(spread))))
    return Estimate(value, sigma, dof)


def bow_of(blank: Blank, spread: Matrix, dof: float) -> tuple[Estimate, Estimate | None]:
    """Natural bow (m) and its direction (rad), from K⁻¹·f with the whole covariance."""
    # With K·u = f: ∂u/∂f = K⁻¹, and for each number p of the tensor ∂u/∂p = −K⁻¹·(∂K/∂p)·u.
    x, y = blank.bow
    stiffness = np.array([[blank.k + blank.d_cos, blank.d_sin], [blank.d_sin, blank.k - blank.d_cos]])
    by_tensor = np.array([[-x, 1.0, 0.0, -x, -y], [-y, 0.0, 1.0, y, -x]])
    jacobian = np.linalg.solve(stiffness, by_tensor)
    cov = jacobian @ spread @ jacobian.T
    return length(x, y, cov, dof), direction(x, y, cov, dof, 1)


@dataclass(frozen=True, slots=True)
class SnapAnswer:
    """Snap positions, and how sure their number is."""

    snaps: tuple[Snap, ...]
    """Firmest first, those that can be told."""
    found: tuple[Rest, ...]
    """The minima they come from (all of them), firmest first."""
    tied: bool
    """True if the two firmest cannot be told apart."""
    unsure: float
    """Probability that the number of snaps is another one."""
    untold: int
    """Snaps left out because their place cannot be told."""


def snaps_of(
    blank: Blank,
    spread: Matrix,
    dof: float,
    travel: float,
    initial: Estimate | None,
    systematics: Systematics,
    left_out: tuple[LeftOut, ...] = (),
) -> SnapAnswer:
    """Snap positions with barriers and half-widths.

    Where the minima move smoothly with the five numbers the half-widths come from the derivative (the
    implicit-function theorem for positions, the envelope theorem for levels); near the astroid, or where the
    place is hardly known, from seeded quasi-random samples of the numbers.
    """
    k0 = None if initial is None else initial.value
    energy = energy_of(blank, travel, k0)
    found = rests(energy)
    if not found or _nothing_there(blank, spread, dof):
        return SnapAnswer((), found, False, 0.0, 0)
    p_factor, q_factor = barrier_factors(blank.k, k0)
    p, q = 0.5 * travel**2 * p_factor, travel * q_factor
    to_parts = np.zeros((4, 5))
    to_parts[0, 3] = to_parts[1, 4] = p
    to_parts[2, 1] = to_parts[3, 2] = q
    cov = to_parts @ spread @ to_parts.T
    parts = np.array([energy.p_cos, energy.p_sin, energy.q_cos, energy.q_sin])
    slopes = [_slope(energy, rest) for rest in found]
    sigmas = [math.sqrt(max(0.0, float(s @ cov @ s))) for s in slopes]
    levels = [level_by_parts(rest.crest) - level_by_parts(rest.angle) for rest in found]
    barrier_sigmas = [math.sqrt(max(0.0, float(g @ cov @ g))) for g in levels]
    samples = sampled(parts, cov, dof)
    unsure = float(np.mean(two_minima(samples) != (len(found) == 2)))
    if unsure > 0.0 or max(sigmas) > math.radians(4.0):
        sigmas, barrier_sigmas = _by_samples(samples, found, dof)
    tied = False
    if len(found) == 2:
        gap = level_by_parts(found[0].angle) - level_by_parts(found[1].angle)
        noise = coverage_factor(dof) * math.sqrt(max(0.0, float(gap @ cov @ gap)))
        floor = 1e-3 * max(found[0].barrier, found[1].barrier)
        tied = abs(found[1].low - found[0].low) <= max(noise, floor)
    snaps = []
    moved = [(left.cause, to_parts @ left.shifts.T) for left in left_out]
    for rest, slope, level, sigma, barrier_sigma in zip(
        found, slopes, levels, sigmas, barrier_sigmas, strict=True
    ):
        angle = Estimate(rest.angle, sigma, dof)
        if not angle.noise_ci95 < _WIDEST_SNAP:
            continue
        softness = abs(float(slope[2:] @ parts[2:]))
        barrier = Estimate(rest.barrier, barrier_sigma, dof).with_shares(
            systematics.barrier(float(level[:2] @ parts[:2]), float(level[2:] @ parts[2:]), blank.k, initial)
        )
        barrier = barrier.with_shares(Share(cause, float(np.linalg.norm(level @ by))) for cause, by in moved)
        angle = angle.with_shares(Share(cause, float(np.linalg.norm(slope @ by))) for cause, by in moved)
        snaps.append(
            Snap(
                angle.with_shares(systematics.snap(softness)),
                barrier,
                cause_of(energy, rest),
            )
        )
    return SnapAnswer(tuple(snaps), found, tied, unsure, len(found) - len(snaps))


def plane_p_value(pair: Floats, spread: Matrix, dof: float) -> float:
    """Probability that noise alone makes a 2-per-turn part as large (F test with 2 and `dof`)."""
    statistic = 0.5 * float(pair @ np.linalg.solve(spread, pair))
    return float(fdtrc(2.0, min(dof, 1e9), statistic))


def _nothing_there(blank: Blank, spread: Matrix, dof: float) -> bool:
    """Tell whether noise alone makes bow and planes together as large one time in twenty (F test)."""
    parts = blank.numbers[1:]
    statistic = 0.25 * float(parts @ np.linalg.solve(spread[1:, 1:], parts))
    return float(fdtrc(4.0, min(dof, 1e9), statistic)) > 0.05


def _slope(energy: RollEnergy, rest: Rest) -> Floats:
    bend = curvature(energy, rest.angle)
    scale = max(energy.stiffness_part, energy.bow_part)
    return np.asarray(-torque_by_parts(rest.angle) / max(bend, 1e-6 * scale))


def _by_samples(samples: Matrix, found: tuple[Rest, ...], dof: float) -> tuple[list[float], list[float]]:
    """Turn samples into standard errors of positions and barriers that give their 95 % half-widths."""
    angles, barriers = minima(samples)
    factor = coverage_factor(dof)
    sigmas, barrier_sigmas = [], []
    for rest in found:
        away = np.abs(difference(angles, rest.angle))
        nearest = np.nanargmin(away, axis=1)[:, np.newaxis]
        off = np.take_along_axis(away, nearest, axis=1)[:, 0]
        theirs = np.take_along_axis(barriers, nearest, axis=1)[:, 0]
        barrier_off = np.abs(np.where(off < 0.5 * HALF_TURN, theirs, 0.0) - rest.barrier)
        sigmas.append(float(np.quantile(off, 0.95)) / factor)
        barrier_sigmas.append(float(np.quantile(barrier_off, 0.95)) / factor)
    return sigmas, barrier_sigmas


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
