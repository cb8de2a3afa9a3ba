"""What a roll run reads, as columns: the blank's five numbers, friction, drift, lag and more waves.

Three kinds of run have the same five unknowns in different clothes: a held tip (linear in stiffness and bow
force), a hanging weight (linear in compliance and bow), and a tip free sideways (a quotient of the two, taken
by its derivative at the last estimate: Gauss–Newton).

Beside it, what the chosen model leaves out and how far that would move the answer.
Over whole turns a further wave moves nothing; over a part of a turn, or a turn with a gap, it leaks
into the first two. Drift over one turn does the same. What is left out is too small to be seen, so its
size is bounded by what would have been seen, and by what is plausible.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, Matrix, from_compliance

Kind = Literal["held", "free", "hanging"]
"""Tip held sideways, tip free sideways, hanging weight."""

MOST_HARMONICS = 6
"""Waves per turn beyond which nothing is looked for."""
MOST_DRIFT = 4
"""Highest power of time in the drift."""
_APART = 0.1
"""Travels this far apart, over their mean, count as two: then the load between them gives the stiffness
(ours)."""
_DRIFT = ((1.0,), (4.0, -3.0), (15.0, -20.0, 6.0), (56.0, -105.0, 60.0, -10.0))
"""Drift is τ times these, highest power first: the Jacobi polynomials P^(0,2) on [0, 1], so that the columns
are orthogonal over an even run and zero at its start."""


@dataclass(frozen=True, slots=True)
class Columns:
    """All columns that a model may use, one a row (shape (k, n)), and where each kind stands."""

    rows: Matrix
    """Core five, friction (where two directions exist), drift, further waves."""
    friction: int | None
    """Index of the friction column."""
    drift: int
    """Index of the first of `MOST_DRIFT` drift columns; all are zero at the first reading."""
    waves: int
    """Index of the first of the further waves (cos 3θ)."""
    lag: int | None = None
    """Index of the lag's column, where it is fitted."""
    zero: int | None = None
    """Index of the column of ones, where a run of two travels can tell the travel's zero."""


def columns(sifted: Sifted, kind: Kind, lag: Floats | None = None) -> Columns:
    """Columns at every reading. A free tip's core is left empty: `linearise` fills it.

    Parameters
    ----------
    lag : ndarray, shape (n,), or None
        What a further second of lag does to each reading (`analysis.roll.lag`).
    """
    z = np.exp(1j * sifted.roll)
    z2 = z * z
    n = sifted.roll.size
    friction = SIZE if sifted.two_way else None
    behind = SIZE + sifted.two_way
    at_lag = behind if lag is not None else None
    behind += lag is not None
    zero = behind if kind != "hanging" and _two_travels(sifted.travel) else None
    drift = behind + (zero is not None)
    waves = drift + MOST_DRIFT
    rows = np.empty((waves + 2 * (MOST_HARMONICS - 2), n))
    scale = sifted.travel
    rows[0] = scale
    if kind == "hanging":
        np.multiply(-scale, z2.real, out=rows[1])
        np.multiply(-scale, z2.imag, out=rows[2])
        rows[3], rows[4] = z.real, z.imag
    else:
        np.negative(z.real, out=rows[1])
        np.negative(z.imag, out=rows[2])
        np.multiply(scale, z2.real, out=rows[3])
        np.multiply(scale, z2.imag, out=rows[4])
    if sifted.two_way:
        rows[SIZE] = sifted.direction
    if lag is not None:
        rows[behind - 1] = lag
    if zero is not None:
        rows[zero] = 1.0
    span = float(sifted.time[-1])
    tau = sifted.time / span if span > 0.0 else np.linspace(0.0, 1.0, n)
    for power, polynomial in enumerate(_DRIFT):
        rows[drift + power] = tau * np.polyval(polynomial, tau)
    wave = z2
    for index in range(waves, rows.shape[0], 2):
        wave = wave * z
        rows[index], rows[index + 1] = wave.real, wave.imag
    return Columns(rows, friction, drift, waves, at_lag, zero)


def _two_travels(travel: Floats) -> bool:
    """Tell whether a run was rolled at travels far enough apart to need no travel zero."""
    if float(np.ptp(travel)) <= _APART * float(travel.mean()):
        return False
    low, high = np.quantile(travel, (0.05, 0.95))
    return bool(high - low > _APART * travel.mean())


def linearise(columns: Columns, sifted: Sifted, compliance: Floats) -> Floats:
    """Fill a free tip's core with the derivative of F = (d − u0·e)/(c0 − γ·cos 2(θ − φ)).

    Parameters
    ----------
    columns : Columns
        Its first five rows are overwritten.
    compliance : ndarray, shape (5,)
        The estimate to linearise at, in the order of `analysis.roll.tensor.to_compliance`.

    Returns
    -------
    ndarray, shape (n,)
        What is to be fitted, so that the linear fit returns the new estimate itself.
    """
    z = np.exp(1j * sifted.roll)
    z2 = z * z
    along = compliance[0] - compliance[1] * z2.real - compliance[2] * z2.imag
    load = (sifted.travel - compliance[3] * z.real - compliance[4] * z.imag) / along
    core = columns.rows[:SIZE]
    core[0] = -load / along
    core[1], core[2] = load * z2.real / along, load * z2.imag / along
    core[3], core[4] = -z.real / along, -z.imag / along
    return np.asarray(sifted.reading - load + compliance @ core)


def core_at(roll: Floats, scale: Floats | float, kind: Kind, core: Floats) -> Floats:
    """Compute the core's reading at `roll`, shape (n,): N, or m under a hanging weight."""
    c1, s1, c2, s2 = np.cos(roll), np.sin(roll), np.cos(2.0 * roll), np.sin(2.0 * roll)
    if kind == "held":
        return np.asarray(scale * (core[0] + core[3] * c2 + core[4] * s2) - core[1] * c1 - core[2] * s1)
    along = core[0] - core[1] * c2 - core[2] * s2
    if kind == "hanging":
        return np.asarray(scale * along + core[3] * c1 + core[4] * s1)
    return np.asarray((scale - core[3] * c1 - core[4] * s1) / along)


def plane_pair(kind: Kind) -> slice:
    """Where the 2-per-turn pair stands among the core's coefficients."""
    return slice(3, 5) if kind == "held" else slice(1, 3)


def to_numbers(kind: Kind, core: Floats, covariance: Matrix) -> tuple[Floats, Matrix]:
    """Find the blank's five numbers and their covariance from the core's coefficients and theirs."""
    if kind == "held":
        return core, covariance
    numbers, jacobian = from_compliance(core)
    return numbers, jacobian @ covariance @ jacobian.T


_NEXT_WAVE = 0.02
"""Largest plausible wave that is left out, over the first two waves together (ours, chosen on
benchmarks/roll_coverage.py)."""
_NEXT_BEND = 0.25
"""Largest plausible next bend of the drift, over the last one in the model (ours, as above)."""
_SEEN = 1.96
"""Standard errors: a larger wave would have been seen (95 %, normal)."""


@dataclass(frozen=True, slots=True)
class Leak:
    """How far something left out may move the core's coefficients."""

    cause: str
    """``harmonics`` or ``drift``."""
    shifts: Matrix
    """Shifts of the core (95 %), independent of each other, shape (m, 5)."""


def leaks(
    rows: Matrix, chosen: NDArray[np.intp], wave: int | None, bend: int | None, values: Floats, sigma: float
) -> tuple[Leak, ...]:
    """Bound what the next columns would do.

    Parameters
    ----------
    rows : ndarray, shape (blocks, k)
        All columns, averaged in blocks.
    chosen : ndarray of int
        Columns in the model.
    wave, bend : int or None
        First column of the next wave (a cosine, its sine behind it), and of the next bend; None where
        there is none.
    values : ndarray, shape (k,)
        Coefficients found, 0 for columns left out.
    sigma : float
        Standard deviation of a block about the model.
    """
    # A column z that is left out moves the coefficients by (XᵀX)⁻¹·Xᵀz times its own, and leaves z − X·(…) in
    # the residuals, by which its own is bounded.
    model = rows[:, chosen]
    inverse = np.linalg.inv(model.T @ model)
    out = []
    if wave is not None:
        further = rows[:, wave : wave + 2]
        leak = inverse @ (model.T @ further)
        left = further - model @ leak
        most = _NEXT_WAVE * _amplitude(values, rows)
        sizes = [
            min(most, _SEEN * sigma / max(float(np.linalg.norm(left[:, side])), 1e-300)) for side in (0, 1)
        ]
        out.append(Leak("harmonics", (leak[:SIZE] * sizes).T))
    if bend is not None:
        further = rows[:, bend : bend + 1]
        leak = inverse @ (model.T @ further)
        size = _NEXT_BEND * abs(float(values[bend - 1]))
        out.append(Leak("drift", (leak[:SIZE] * size).T))
    return tuple(out)


def _amplitude(values: Floats, rows: Matrix) -> float:
    """Amplitudes of the first two waves in the reading's unit, added."""
    sizes = np.abs(values[1:SIZE]) * np.sqrt(np.mean(rows[:, 1:SIZE] ** 2, axis=0))
    return float(math.sqrt(2.0) * (math.hypot(sizes[0], sizes[1]) + math.hypot(sizes[2], sizes[3])))
