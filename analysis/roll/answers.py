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
from analysis.roll.chuck import Common, bow_slopes, whole
from analysis.roll.estimator import Fitted
from analysis.roll.result import RollCurve, Snap
from analysis.roll.scatter import Scatter
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

CHUCK = "chuck"
"""Cause of the share that run-out and uneven support have."""
_PLANES = slice(3, 5)
_WIDEST_SNAP = math.radians(45.0)
"""A snap position that is not known to this is not given."""


def direction(x: float, y: float, scatter: Scatter, waves: int) -> Estimate | None:
    """Angle of the vector (x, y), divided by `waves`; None where its scatter alone could have made it.

    For a short vector the half-width is that of the exact set of directions (Fieller): sin = t·σ/length,
    with σ across the vector.
    """
    length = math.hypot(x, y)
    if length == 0.0:
        return None
    sigma, dof = scatter.along(np.array([-y, x]) / length)
    factor = coverage_factor(dof)
    sine = factor * sigma / length
    if sine >= 1.0:
        return None
    half_width = math.asin(sine)
    return Estimate(wrap(math.atan2(y, x) / waves, TURN / waves), half_width / factor / waves, dof)


def plane(blank: Blank, scatter: Scatter) -> Estimate:
    """Stiff plane (rad) of a 2-per-turn part that passed its test; known to 45° at worst."""
    pair = scatter.block(_PLANES)
    found = direction(blank.d_cos, blank.d_sin, pair, 2)
    if found is not None:
        return found
    dof = pair.dof()
    return Estimate(blank.stiff_plane, 0.25 * HALF_TURN / coverage_factor(dof), dof)


def length(x: float, y: float, scatter: Scatter, bias: float | None = None) -> Estimate:
    """Length of the vector (x, y), noise taken off: √(x² + y² − tr V), 0 where that is negative.

    A plain length is never zero; of a vector that is not there, it would claim one.

    Parameters
    ----------
    bias : float or None
        tr V to take off; None: that of `scatter`.
    """
    plain = math.hypot(x, y)
    along = np.array([x, y]) / plain if plain > 0.0 else np.array([1.0, 0.0])
    off = float(np.trace(scatter.total)) if bias is None else bias
    return scatter.estimate(math.sqrt(max(0.0, plain**2 - off)), along)


def bow_of(blank: Blank, scatter: Scatter, noise: Matrix) -> tuple[Estimate, Estimate | None]:
    """Natural bow (m) and its direction (rad), from K⁻¹·f with the whole covariance.

    `noise`, the five numbers' covariance from the readings alone, is taken off the bow's length.
    """
    x, y = blank.bow
    slopes = bow_slopes(blank)
    own = scatter.through(slopes)
    return length(x, y, own, float(np.trace(slopes @ noise @ slopes.T))), direction(x, y, own, 1)


def plane_slopes(blank: Blank) -> Floats:
    """∂φ/∂(five numbers), rad per unit, shape (5,); zero for a blank without planes."""
    size = 2.0 * blank.delta**2
    return np.array([0.0, 0.0, 0.0, -blank.d_sin, blank.d_cos]) / size if size > 0.0 else np.zeros(5)


def delta_slopes(blank: Blank) -> Floats:
    """∂Δ/∂(five numbers), shape (5,)."""
    return np.array([0.0, 0.0, 0.0, blank.d_cos, blank.d_sin]) / max(blank.delta, 1e-300)


def bow_frame(blank: Blank) -> tuple[Floats, Floats]:
    """How the bow's size (m) and direction (rad) move with the five numbers, shape (5,) each."""
    slopes, bow = bow_slopes(blank), np.array(blank.bow)
    size = max(float(np.hypot(*bow)), 1e-300)
    return np.asarray(bow / size @ slopes), np.asarray(np.array([-bow[1], bow[0]]) / size**2 @ slopes)


def with_common(noise: Estimate, whole: Estimate, slopes: Floats, name: str) -> Estimate:
    """Add the chuck's share: what is between the half-width with the chuck's errors and that of noise alone.

    Parameters
    ----------
    noise, whole : Estimate
        The quantity with the blank's own scatter, and with the chuck's errors joined to it.
    slopes : ndarray, shape (q,)
        What each of the chuck's errors of size one does to it.
    name : str
        Which chuck.
    """
    share = math.sqrt(max(0.0, whole.noise_ci95**2 - noise.noise_ci95**2))
    size = float(np.linalg.norm(slopes))
    along = tuple((share / size * slopes).tolist()) if size > 0.0 else ()
    return noise.with_shares([Share(CHUCK, share, along=along, of=name)])


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
    noise: Scatter,
    travel: float,
    initial: Estimate | None,
    systematics: Systematics,
    left_out: tuple[LeftOut, ...] = (),
    common: Common | None = None,
) -> SnapAnswer:
    """Snap positions with barriers and half-widths.

    Where the minima move smoothly with the five numbers the half-widths come from the derivative (the
    implicit-function theorem for positions, the envelope theorem for levels); near the astroid, or where the
    place is hardly known, from seeded quasi-random samples of the numbers.

    Parameters
    ----------
    noise : Scatter
        Of the blank's five numbers: the run's noise and what each mount adds.
    common : Common or None
        What the chuck leaves unknown; it decides with the noise whether two snaps hold equally.
    """
    k0 = None if initial is None else initial.value
    energy = energy_of(blank, travel, k0)
    found = rests(energy)
    scatter = whole(noise, common)
    if not found or _nothing_there(blank, noise):
        return SnapAnswer((), found, False, 0.0, 0)
    p_factor, q_factor = barrier_factors(blank.k, k0)
    p, q = 0.5 * travel**2 * p_factor, travel * q_factor
    to_parts = np.zeros((4, 5))
    to_parts[0, 3] = to_parts[1, 4] = p
    to_parts[2, 1] = to_parts[3, 2] = q
    parts = np.array([energy.p_cos, energy.p_sin, energy.q_cos, energy.q_sin])
    slopes = [_slope(energy, rest) for rest in found]
    levels = [level_by_parts(rest.crest) - level_by_parts(rest.angle) for rest in found]
    every = scatter.through(to_parts)
    (angles, barriers), unsure = _sizes(found, parts, every, slopes, levels)
    own = noise.through(to_parts)
    own_angles, own_barriers = (
        (angles, barriers) if common is None else _sizes(found, parts, own, slopes, levels)[0]
    )
    tied = False
    if len(found) == 2:
        gap = level_by_parts(found[0].angle) - level_by_parts(found[1].angle)
        sigma, dof = every.along(gap)
        floor = 1e-3 * max(found[0].barrier, found[1].barrier)
        tied = abs(found[1].low - found[0].low) <= max(coverage_factor(dof) * sigma, floor)
    snaps = []
    moved = [(left.cause, to_parts @ left.shifts.T) for left in left_out]
    for at, (rest, slope, level) in enumerate(zip(found, slopes, levels, strict=True)):
        angle, barrier = own_angles[at], own_barriers[at]
        if not angle.noise_ci95 < _WIDEST_SNAP:
            continue
        if common is not None:
            moves = to_parts @ common.moves
            angle = with_common(angle, angles[at], slope @ moves, common.name)
            barrier = with_common(barrier, barriers[at], level @ moves, common.name)
        softness = abs(float(slope[2:] @ parts[2:]))
        barrier = barrier.with_shares(
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


def _sizes(
    found: tuple[Rest, ...], parts: Floats, scatter: Scatter, slopes: list[Floats], levels: list[Floats]
) -> tuple[tuple[list[Estimate], list[Estimate]], float]:
    """Places and barriers of the minima with their scatter, and how unsure their number is.

    Parameters
    ----------
    parts : ndarray, shape (4,)
        The energy's parts; `scatter` is theirs.
    slopes, levels : list of ndarray, shape (4,)
        How each place and barrier moves with them.
    """
    angles = [scatter.estimate(rest.angle, slope) for rest, slope in zip(found, slopes, strict=True)]
    barriers = [scatter.estimate(rest.barrier, level) for rest, level in zip(found, levels, strict=True)]
    samples = sampled(parts, scatter.total, angles[0].dof)
    unsure = float(np.mean(two_minima(samples) != (len(found) == 2)))
    if unsure > 0.0 or max(angle.noise for angle in angles) > math.radians(4.0):
        angles, barriers = _by_samples(samples, found, angles[0].dof)
    return (angles, barriers), unsure


def plane_p_value(pair: Floats, scatter: Scatter) -> float:
    """Probability that its scatter alone makes a 2-per-turn part as large (F test with 2 and its dof)."""
    statistic = 0.5 * float(pair @ np.linalg.solve(scatter.total, pair))
    return float(fdtrc(2.0, min(scatter.dof(), 1e9), statistic))


def _nothing_there(blank: Blank, scatter: Scatter) -> bool:
    """Tell whether its scatter alone makes bow and planes as large one time in twenty (F test)."""
    parts, own = blank.numbers[1:], scatter.block(slice(1, 5))
    statistic = 0.25 * float(parts @ np.linalg.solve(own.total, parts))
    return float(fdtrc(4.0, min(own.dof(), 1e9), statistic)) > 0.05


def _slope(energy: RollEnergy, rest: Rest) -> Floats:
    bend = curvature(energy, rest.angle)
    scale = max(energy.stiffness_part, energy.bow_part)
    return np.asarray(-torque_by_parts(rest.angle) / max(bend, 1e-6 * scale))


def _by_samples(
    samples: Matrix, found: tuple[Rest, ...], dof: float
) -> tuple[list[Estimate], list[Estimate]]:
    """Turn samples into standard errors of positions and barriers that give their 95 % half-widths."""
    angles, barriers = minima(samples)
    factor = coverage_factor(dof)
    places, heights = [], []
    for rest in found:
        away = np.abs(difference(angles, rest.angle))
        nearest = np.nanargmin(away, axis=1)[:, np.newaxis]
        off = np.take_along_axis(away, nearest, axis=1)[:, 0]
        theirs = np.take_along_axis(barriers, nearest, axis=1)[:, 0]
        barrier_off = np.abs(np.where(off < 0.5 * HALF_TURN, theirs, 0.0) - rest.barrier)
        places.append(Estimate(rest.angle, float(np.quantile(off, 0.95)) / factor, dof))
        heights.append(Estimate(rest.barrier, float(np.quantile(barrier_off, 0.95)) / factor, dof))
    return places, heights


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
