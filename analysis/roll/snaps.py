"""Where a bent, freely rolling blank comes to rest: minima of the bending energy over the roll.

U(θ) = p·cos 2(θ − φ) − q·cos(θ − β) has four stationary angles where q is small against p and two where
it is not. In z = e^{iθ} they are the roots on the unit circle of a quartic: found exactly, not on a grid.
The boundary between two minima and one is an astroid: with h = q/(4p) and ψ = β − φ there are two exactly
when |h·cos ψ|^⅔ + |h·sin ψ|^⅔ < 1 (the energy of a uniaxial magnet in a field is the same: Stoner & Wohlfarth
1948, Phil. Trans. R. Soc. A 240:599).

Half-widths of what is not smooth come from the minima of many sampled energies at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analysis.angles import TURN, wrap
from analysis.estimate import coverage_factor
from analysis.readings import Floats
from analysis.roll.result import Cause, Shelf
from analysis.roll.tensor import Matrix, RollEnergy

_SHELF_GRID = 720
"""Angles at which a shelf is looked for, half a degree apart."""
_NEWTON_STEPS = 3
"""Polishing steps; each squares the error, and the roots of the quartic are near already."""


@dataclass(frozen=True, slots=True)
class Rest:
    """A minimum of the energy and the crests beside it."""

    angle: float
    """θ, rad, [0, 2π)."""
    low: float
    """Energy there, J."""
    crest: float
    """The lower of the two neighbouring crests (the only crest, where there is one), rad."""
    barrier: float
    """Energy from the minimum up to `crest`, J."""
    before: float
    """Neighbouring crest on the side of smaller angles, rad, in (angle − 2π, angle)."""
    after: float
    """Neighbouring crest on the side of larger angles, rad, in (angle, angle + 2π)."""


def astroid(energy: RollEnergy) -> float:
    """|h·cos ψ|^⅔ + |h·sin ψ|^⅔: below 1 there are two minima, else one; ``inf`` without anisotropy."""
    p, q = energy.stiffness_part, energy.bow_part
    if p == 0.0:
        return math.inf if q > 0.0 else 0.0
    h = q / (4.0 * p)
    psi = math.atan2(energy.q_sin, energy.q_cos) - 0.5 * math.atan2(energy.p_sin, energy.p_cos)
    return float(abs(h * math.cos(psi)) ** (2 / 3) + abs(h * math.sin(psi)) ** (2 / 3))


def rests(energy: RollEnergy) -> tuple[Rest, ...]:
    """All minima of the energy, firmest first; none for a blank that does not care (no bow, no anisotropy).

    Examples
    --------
    >>> pair = rests(RollEnergy(1.0, 0.0, 0.0, 0.0))
    >>> sorted(round(math.degrees(rest.angle), 6) for rest in pair), round(pair[0].barrier, 9)
    ([90.0, 270.0], 2.0)
    """
    p, q = energy.stiffness_part, energy.bow_part
    scale = max(p, q)
    if not scale > 0.0:
        return ()
    angles = _stationary(energy)
    levels = energy(angles)
    if astroid(energy) >= 1.0:
        low, high = int(np.argmin(levels)), int(np.argmax(levels))
        angle, crest = float(angles[low]), float(angles[high])
        after = angle + wrap(crest - angle)
        barrier = float(levels[high] - levels[low])
        return (Rest(angle, float(levels[low]), crest, barrier, after - TURN, after),)
    found = []
    minima = (0, 2) if levels[0] + levels[2] < levels[1] + levels[3] else (1, 3)
    for index in minima:
        before, after = (index - 1) % 4, (index + 1) % 4
        lower = before if levels[before] <= levels[after] else after
        angle = float(angles[index])
        found.append(
            Rest(
                angle=angle,
                low=float(levels[index]),
                crest=float(angles[lower]),
                barrier=float(levels[lower] - levels[index]),
                before=angle - wrap(angle - float(angles[before])),
                after=angle + wrap(float(angles[after]) - angle),
            )
        )
    return tuple(sorted(found, key=lambda rest: -rest.barrier))


def shelf(energy: RollEnergy) -> Shelf | None:
    """Find where the torque comes nearest to nothing without turning round: a second snap just vanished.

    None where there are two minima, or no such place: far outside the astroid the torque has one hump on
    each side of the snap and no dip between.
    """
    if energy.stiffness_part == 0.0 or astroid(energy) < 1.0:
        return None
    grid = np.linspace(0.0, TURN, _SHELF_GRID, endpoint=False)
    torque, _ = _slope_and_bend(energy, grid)
    size = np.abs(torque)
    before, after = np.roll(torque, 1), np.roll(torque, -1)
    dips = (
        (size < np.abs(before)) & (size <= np.abs(after)) & (torque * before > 0.0) & (torque * after > 0.0)
    )
    if not dips.any():
        return None
    lowest = int(np.flatnonzero(dips)[np.argmin(size[dips])])
    return Shelf(float(grid[lowest]), float(size[lowest] / size.max()))


def curvature(energy: RollEnergy, angle: float) -> float:
    """d²U/dθ² at `angle`, J/rad²."""
    c1, s1 = math.cos(angle), math.sin(angle)
    c2, s2 = c1 * c1 - s1 * s1, 2.0 * c1 * s1
    return -4.0 * (energy.p_cos * c2 + energy.p_sin * s2) + energy.q_cos * c1 + energy.q_sin * s1


def torque_by_parts(angle: float) -> NDArray[np.float64]:
    """∂(dU/dθ)/∂(p_cos, p_sin, q_cos, q_sin) at `angle`, shape (4,)."""
    c1, s1 = math.cos(angle), math.sin(angle)
    return np.array([-4.0 * s1 * c1, 2.0 * (c1 * c1 - s1 * s1), s1, -c1])


def level_by_parts(angle: float) -> NDArray[np.float64]:
    """∂U/∂(p_cos, p_sin, q_cos, q_sin) at `angle`, shape (4,)."""
    c1, s1 = math.cos(angle), math.sin(angle)
    return np.array([c1 * c1 - s1 * s1, 2.0 * s1 * c1, -c1, -s1])


def cause_of(energy: RollEnergy, rest: Rest) -> Cause:
    """Tell what a snap is due to, from what would be left without the bow, or without the planes.

    One of them explains the snap by itself if, with the other taken away, a minimum stays between the same
    two crests, the snap lies on that one's side (nearer to the soft plane than to the stiff one; within 90°
    of the bow), and at least half of the barrier stays. The cause is the one that explains it where the other
    does not, else both.
    """
    p, q = energy.stiffness_part, energy.bow_part
    soft = 0.5 * math.atan2(energy.p_sin, energy.p_cos) + 0.5 * math.pi
    bow = math.atan2(energy.q_sin, energy.q_cos)
    by_stiffness = (
        2.0 * p >= 0.5 * rest.barrier
        and math.cos(2.0 * (rest.angle - soft)) > 0.0
        and any(_between(rest, end) for end in (soft, soft + math.pi))
    )
    by_bow = 2.0 * q >= 0.5 * rest.barrier and math.cos(rest.angle - bow) > 0.0 and _between(rest, bow)
    if by_stiffness == by_bow:
        return "both"
    return "stiffness" if by_stiffness else "bow"


def _between(rest: Rest, angle: float) -> bool:
    return wrap(angle - rest.before) < rest.after - rest.before


def _slope_and_bend(energy: RollEnergy, angles: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Find dU/dθ, J/rad, and d²U/dθ², J/rad², at angles."""
    c1, s1 = np.cos(angles), np.sin(angles)
    c2, s2 = c1 * c1 - s1 * s1, 2.0 * c1 * s1
    slope = -2.0 * energy.p_cos * s2 + 2.0 * energy.p_sin * c2 + energy.q_cos * s1 - energy.q_sin * c1
    bend = -4.0 * (energy.p_cos * c2 + energy.p_sin * s2) + energy.q_cos * c1 + energy.q_sin * s1
    return slope, bend


def _stationary(energy: RollEnergy) -> NDArray[np.float64]:
    """Angles of no torque, in order, rad: four inside the astroid, at least the two outermost levels outside.

    dU/dθ = 0 times z² is the quartic P·z⁴ − ½Q·z³ + ½Q*·z − P* = 0 (up to a factor i), with
    P = p_cos − i·p_sin and Q = q_cos − i·q_sin.
    """
    big_p = complex(energy.p_cos, -energy.p_sin)
    big_q = complex(energy.q_cos, -energy.q_sin)
    if energy.stiffness_part < 1e-12 * energy.bow_part:
        bow = math.atan2(energy.q_sin, energy.q_cos)
        angles = np.array([bow, bow + math.pi])
    else:
        roots = np.roots([big_p, -0.5 * big_q, 0.0, 0.5 * big_q.conjugate(), -big_p.conjugate()])
        nearest = np.argsort(np.abs(np.log(np.abs(roots))))[: 4 if astroid(energy) < 1.0 else 2]
        angles = np.angle(roots[nearest])
    tiny = 1e-9 * max(energy.stiffness_part, energy.bow_part)
    for _ in range(_NEWTON_STEPS):
        torque, bend = _slope_and_bend(energy, angles)
        step = np.where(np.abs(bend) > tiny, torque / np.where(np.abs(bend) > tiny, bend, 1.0), 0.0)
        angles = angles - np.clip(step, -0.05, 0.05)
    return np.sort(wrap(angles))


COUNT = 256
"""Samples of an energy."""


def sampled(parts: Floats, cov: Matrix, dof: float) -> Matrix:
    """Draw quasi-random samples of an energy's four parts, widened as Student's t is; the same in every call.

    Parameters
    ----------
    parts : ndarray, shape (4,)
        p_cos, p_sin, q_cos, q_sin as in `analysis.roll.tensor.RollEnergy`.
    cov : ndarray, shape (4, 4)
        Their covariance.

    Returns
    -------
    ndarray, shape (COUNT, 4)
    """
    values, vectors = np.linalg.eigh(cov)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    widen = coverage_factor(dof) / coverage_factor(math.inf)
    return np.asarray(parts + widen * _NORMALS @ root.T)


def two_minima(parts: Matrix) -> NDArray[np.bool_]:
    """Tell which energies have two minima (inside the astroid, see `analysis.roll.snaps`).

    Parameters
    ----------
    parts : ndarray, shape (m, 4)

    Returns
    -------
    ndarray of bool, shape (m,)
    """
    p = np.hypot(parts[:, 0], parts[:, 1])
    q = np.hypot(parts[:, 2], parts[:, 3])
    psi = np.arctan2(parts[:, 3], parts[:, 2]) - 0.5 * np.arctan2(parts[:, 1], parts[:, 0])
    size = np.cbrt(np.abs(q * np.cos(psi))) ** 2 + np.cbrt(np.abs(q * np.sin(psi))) ** 2
    return np.asarray(size < np.cbrt(4.0 * p) ** 2)


def minima(parts: Matrix) -> tuple[Matrix, Matrix]:
    """Find the minima of many energies and their barriers.

    Parameters
    ----------
    parts : ndarray, shape (m, 4)

    Returns
    -------
    angles : ndarray, shape (m, 2)
        rad; the second is nan where there is one minimum.
    barriers : ndarray, shape (m, 2)
        J, to the lower of the neighbouring crests; nan likewise.
    """
    scale = np.max(np.abs(parts), axis=1, keepdims=True)
    unit = parts / np.where(scale > 0.0, scale, 1.0)
    big_p = unit[:, 0] - 1j * unit[:, 1]
    big_p = np.where(np.abs(big_p) > 1e-9, big_p, 1e-9)
    half_q = 0.5 * (unit[:, 2] - 1j * unit[:, 3])
    companion = np.zeros((len(unit), 4, 4), dtype=complex)
    companion[:, 1, 0] = companion[:, 2, 1] = companion[:, 3, 2] = 1.0
    companion[:, 0, 0] = half_q / big_p
    companion[:, 0, 2] = -np.conj(half_q) / big_p
    companion[:, 0, 3] = np.conj(big_p) / big_p
    roots = np.linalg.eigvals(companion)
    off = np.abs(np.log(np.maximum(np.abs(roots), 1e-300)))
    nearest = np.take_along_axis(np.angle(roots), np.argsort(off, axis=1), axis=1)
    both = two_minima(parts)
    angles = np.full((len(parts), 2), math.nan)
    barriers = np.full((len(parts), 2), math.nan)
    _pairs(unit, nearest, both, angles, barriers)
    _singles(unit, nearest, ~both, angles, barriers)
    return angles, barriers * scale


def _pairs(unit: Matrix, at: Matrix, rows: NDArray[np.bool_], angles: Matrix, barriers: Matrix) -> None:
    four = np.sort(at[rows], axis=1)
    levels = _level(unit[rows], four)
    even = levels[:, 0] + levels[:, 2] < levels[:, 1] + levels[:, 3]
    low = np.where(even[:, np.newaxis], [0, 2], [1, 3])
    high = np.where(even[:, np.newaxis], [1, 3], [0, 2])
    crest = np.take_along_axis(levels, high, axis=1).min(axis=1, keepdims=True)
    angles[rows] = np.take_along_axis(four, low, axis=1)
    barriers[rows] = crest - np.take_along_axis(levels, low, axis=1)


def _singles(unit: Matrix, at: Matrix, rows: NDArray[np.bool_], angles: Matrix, barriers: Matrix) -> None:
    two = at[rows, :2]
    levels = _level(unit[rows], two)
    low = np.argmin(levels, axis=1)[:, np.newaxis]
    angles[rows, 0] = np.take_along_axis(two, low, axis=1)[:, 0]
    barriers[rows, 0] = np.ptp(levels, axis=1)


def _level(unit: Matrix, at: Matrix) -> Matrix:
    c1, s1 = np.cos(at), np.sin(at)
    p_cos, p_sin, q_cos, q_sin = (unit[:, [column]] for column in range(4))
    return np.asarray(p_cos * (c1 * c1 - s1 * s1) + 2.0 * p_sin * s1 * c1 - q_cos * c1 - q_sin * s1)


def _normals() -> Matrix:
    """Make quasi-random standard normal points, shape (COUNT, 4).

    Points of an additive recurrence with the powers of 1/φ, φ the real root of φ⁵ = φ + 1 (the generalised
    golden ratio), through the normal quantile, with their mirror images, scaled to unit covariance: as
    even as a lattice, and the same in every call.
    """
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** 0.2
    steps = root ** -np.arange(1.0, 5.0)
    points = ndtri((0.5 + np.outer(np.arange(1, COUNT // 2 + 1), steps)) % 1.0)
    both = np.concatenate([points, -points])
    root_of_cov = np.linalg.cholesky(both.T @ both / COUNT)
    return np.asarray(np.linalg.solve(root_of_cov, both.T).T)


_NORMALS = _normals()
"""The points behind every sample."""
