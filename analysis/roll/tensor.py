"""The bent blank as a tensor and a bow: load, energy and bow from five numbers, and back from what was read.

Frame and signs: angles in rad from the index mark, θ is the blank angle that faces the pull, load positive
along the pull. With e(θ) = (cos θ, sin θ) the unit vector of the pull seen from the blank, the stiffness
along the pull is e·K·e = k + Δ·cos 2(θ − φ), and the force that the natural bow u0 exerts on a held tip is
f = K·u0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.readings import Floats

Matrix = NDArray[np.float64]
"""Two-dimensional array of floats."""

SIZE = 5
"""Numbers that describe a rolled blank: k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ."""


@dataclass(frozen=True, slots=True)
class Blank:
    """Stiffness and bow of a blank at one travel, in linear theory."""

    k: float
    """Mean stiffness k_m over the roll, N/m."""
    f_cos: float
    """Bow force along blank angle 0, N."""
    f_sin: float
    """Bow force along blank angle 90°, N."""
    d_cos: float
    """Δ·cos 2φ, N/m."""
    d_sin: float
    """Δ·sin 2φ, N/m."""

    @classmethod
    def of(cls, numbers: Floats) -> Blank:
        """From an array of the five numbers, in the order of the fields."""
        return cls(*numbers.tolist())

    @property
    def numbers(self) -> Floats:
        """The five numbers as an array."""
        return np.array([self.k, self.f_cos, self.f_sin, self.d_cos, self.d_sin])

    @property
    def delta(self) -> float:
        """Half of k_max − k_min, N/m."""
        return math.hypot(self.d_cos, self.d_sin)

    @property
    def stiff_plane(self) -> float:
        """φ in [0, π), rad."""
        return (0.5 * math.atan2(self.d_sin, self.d_cos)) % math.pi

    @property
    def bow_force(self) -> float:
        """F = |K·u0|, N."""
        return math.hypot(self.f_cos, self.f_sin)

    @property
    def anisotropy(self) -> float:
        """(k_max − k_min)/k_mean as a fraction."""
        return 2.0 * self.delta / self.k

    @property
    def bow(self) -> tuple[float, float]:
        """The natural bow u0 = K⁻¹·f along blank angles 0 and 90°, m."""
        determinant = self.k**2 - self.d_cos**2 - self.d_sin**2
        return (
            ((self.k - self.d_cos) * self.f_cos - self.d_sin * self.f_sin) / determinant,
            ((self.k + self.d_cos) * self.f_sin - self.d_sin * self.f_cos) / determinant,
        )


def to_compliance(numbers: Floats) -> Floats:
    """Turn the five numbers of a blank into those of its compliance.

    Returns
    -------
    ndarray, shape (5,)
        Mean compliance c0, compliance amplitude (γ·cos 2φ, γ·sin 2φ) with e·K⁻¹·e = c0 − γ·cos 2(θ − φ),
        all in m/N, and the bow (u0x, u0y) in m.
    """
    k, f_cos, f_sin, d_cos, d_sin = numbers
    determinant = k**2 - d_cos**2 - d_sin**2
    c0, g_cos, g_sin = k / determinant, d_cos / determinant, d_sin / determinant
    return np.array(
        [
            c0,
            g_cos,
            g_sin,
            (c0 - g_cos) * f_cos - g_sin * f_sin,
            (c0 + g_cos) * f_sin - g_sin * f_cos,
        ]
    )


def from_compliance(compliance: Floats) -> tuple[Floats, Matrix]:
    """Turn the numbers of `to_compliance` back, with the derivative.

    Returns
    -------
    numbers : ndarray, shape (5,)
        As `Blank.numbers`.
    jacobian : ndarray, shape (5, 5)
        ∂numbers/∂compliance.
    """
    c0, g_cos, g_sin, u_cos, u_sin = (float(value) for value in compliance)
    determinant = c0**2 - g_cos**2 - g_sin**2
    k, d_cos, d_sin = c0 / determinant, g_cos / determinant, g_sin / determinant
    stiff = np.array([k, d_cos, d_sin])
    gradient = np.array([2.0 * c0, -2.0 * g_cos, -2.0 * g_sin]) / determinant
    d_stiff = np.eye(3) / determinant - np.outer(stiff, gradient)
    by_x = (u_cos, u_cos, u_sin)
    by_y = (u_sin, -u_sin, u_cos)
    jacobian = np.zeros((5, 5))
    jacobian[0, :3], jacobian[3, :3], jacobian[4, :3] = d_stiff
    jacobian[1, :3] = by_x @ d_stiff
    jacobian[2, :3] = by_y @ d_stiff
    jacobian[1, 3:] = k + d_cos, d_sin
    jacobian[2, 3:] = d_sin, k - d_cos
    numbers = np.array([k, float(by_x @ stiff), float(by_y @ stiff), d_cos, d_sin])
    return numbers, jacobian


@dataclass(frozen=True, slots=True)
class RollEnergy:
    """Bending energy over the roll at one travel.

    U(θ) = p_cos·cos 2θ + p_sin·sin 2θ − q_cos·cos θ − q_sin·sin θ, in J; with p = ½·d²·Δ at 2φ and
    q = d·f at β, and the barrier correction of `energy_of` where the stiffness at small travel is known.
    """

    p_cos: float
    p_sin: float
    q_cos: float
    q_sin: float

    def __call__(self, roll: Floats | float) -> Floats:
        """U at `roll` (rad), J."""
        c1, s1, c2, s2 = _waves(np.asarray(roll, dtype=float))
        return np.asarray(self.p_cos * c2 + self.p_sin * s2 - self.q_cos * c1 - self.q_sin * s1)

    @property
    def stiffness_part(self) -> float:
        """½·d²·Δ, J."""
        return math.hypot(self.p_cos, self.p_sin)

    @property
    def bow_part(self) -> float:
        """d·f, J."""
        return math.hypot(self.q_cos, self.q_sin)


def energy_of(blank: Blank, travel: float, initial_stiffness: float | None = None) -> RollEnergy:
    """Energy over the roll at `travel`.

    Parameters
    ----------
    travel : float
        d, m.
    initial_stiffness : float or None
        Stiffness at small travel k0, N/m. With x = k/k0 − 1 the 2-per-turn part is multiplied by
        (1 + x/2)/(1 + x) and the 1-per-turn part by (1 + x/3)/(1 + x): energy is the integral of a load
        that stiffens with the square of the travel. Barriers are then right to about 2 % at a quarter of
        the length, where without it they are 3 to 11 % high.
    """
    stiffness_factor, bow_factor = barrier_factors(blank.k, initial_stiffness)
    p = 0.5 * travel**2 * stiffness_factor
    q = travel * bow_factor
    return RollEnergy(p * blank.d_cos, p * blank.d_sin, q * blank.f_cos, q * blank.f_sin)


def barrier_factors(stiffness: float, initial_stiffness: float | None) -> tuple[float, float]:
    """Factors on the 2-per-turn and the 1-per-turn part of the energy (see `energy_of`)."""
    if initial_stiffness is None:
        return 1.0, 1.0
    x = stiffness / initial_stiffness - 1.0
    return (1.0 + x / 2.0) / (1.0 + x), (1.0 + x / 3.0) / (1.0 + x)


def _waves(roll: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Cos θ, sin θ, cos 2θ, sin 2θ."""
    cosine, sine = np.cos(roll), np.sin(roll)
    return cosine, sine, cosine**2 - sine**2, 2.0 * cosine * sine
