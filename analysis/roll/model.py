"""What a roll run reads, as columns: the blank's five numbers, more waves, friction, drift and lag.

Three kinds of run have the same five unknowns in different clothes: a held tip (linear in stiffness and bow
force), a hanging weight (linear in compliance and bow), and a tip free sideways (a quotient of the two, taken
by its derivative at the last estimate: Gauss–Newton).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.readings import Floats
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, Matrix, from_compliance

Kind = Literal["held", "free", "hanging"]
"""Tip held sideways, tip free sideways, hanging weight."""

MOST_HARMONICS = 6
"""Waves per turn beyond which nothing is looked for."""
MOST_DRIFT = 4
"""Highest power of time in the drift."""


@dataclass(frozen=True, slots=True)
class Columns:
    """All columns that a model may use, one a row (shape (k, n)), and where each kind stands."""

    rows: Matrix
    """Core five, friction (where two directions exist), drift, further waves."""
    friction: int | None
    """Index of the friction column."""
    drift: int
    """Index of the first of `MOST_DRIFT` drift columns."""
    waves: int
    """Index of the first of the further waves (cos 3θ)."""


def columns(sifted: Sifted, kind: Kind, compliance: Floats | None = None) -> tuple[Columns, Floats]:
    """Columns at every reading, and what is to be fitted by them.

    Parameters
    ----------
    compliance : ndarray, shape (5,) or None
        For a free tip, the estimate (order of `to_compliance`) about which the quotient is linearised.

    Returns
    -------
    columns : Columns
    target : ndarray, shape (n,)
        The reading; for a free tip, what makes the linearised fit return the new estimate itself.
    """
    z = np.exp(1j * sifted.roll)
    z2 = z * z
    n = sifted.roll.size
    friction = SIZE if sifted.two_way else None
    drift = SIZE + sifted.two_way
    waves = drift + MOST_DRIFT
    rows = np.empty((waves + 2 * (MOST_HARMONICS - 2), n))
    target = sifted.reading
    scale = sifted.travel
    if kind == "held":
        rows[0] = scale
        rows[1], rows[2] = -z.real, -z.imag
        rows[3], rows[4] = scale * z2.real, scale * z2.imag
    elif kind == "hanging":
        rows[0] = scale
        rows[1], rows[2] = -scale * z2.real, -scale * z2.imag
        rows[3], rows[4] = z.real, z.imag
    else:
        if compliance is None:
            raise ValueError("a free tip needs an estimate to linearise at")
        along = compliance[0] - compliance[1] * z2.real - compliance[2] * z2.imag
        load = (scale - compliance[3] * z.real - compliance[4] * z.imag) / along
        rows[0] = -load / along
        rows[1], rows[2] = load * z2.real / along, load * z2.imag / along
        rows[3], rows[4] = -z.real / along, -z.imag / along
        target = sifted.reading - load + compliance @ rows[:SIZE]
    if sifted.two_way:
        rows[SIZE] = sifted.direction
    span = sifted.time[-1]
    tau = sifted.time / span if span > 0.0 else np.linspace(0.0, 1.0, n)
    rows[drift] = tau
    for power in range(1, MOST_DRIFT):
        rows[drift + power] = rows[drift + power - 1] * tau
    wave = z2
    for index in range(waves, rows.shape[0], 2):
        wave = wave * z
        rows[index], rows[index + 1] = wave.real, wave.imag
    return Columns(rows, friction, drift, waves), target


def core_at(roll: Floats, scale: float, kind: Kind, core: Floats) -> Floats:
    """Compute the core's reading at `roll`, shape (n,): N, or m under a hanging weight."""
    c1, s1, c2, s2 = np.cos(roll), np.sin(roll), np.cos(2.0 * roll), np.sin(2.0 * roll)
    if kind == "held":
        return np.asarray(scale * (core[0] + core[3] * c2 + core[4] * s2) - core[1] * c1 - core[2] * s1)
    along = core[0] - core[1] * c2 - core[2] * s2
    if kind == "hanging":
        return np.asarray(scale * along + core[3] * c1 + core[4] * s1)
    return np.asarray((scale - core[3] * c1 - core[4] * s1) / along)


def to_numbers(kind: Kind, core: Floats, spread: Matrix) -> tuple[Floats, Matrix]:
    """Find the blank's five numbers and their covariance from the core's coefficients and theirs."""
    if kind == "held":
        return core, spread
    numbers, jacobian = from_compliance(core)
    return numbers, jacobian @ spread @ jacobian.T
