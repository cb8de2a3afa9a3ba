"""Power and action of a rigidity, and how they follow from a fit with its covariance.

A rating is a smooth function q(p) of the fit's parameters p. With the covariance's factor C = V·Vᵀ the
ratings are worked out at p ± v for each column v of V (one standard deviation along each principal
direction), which gives the half-widths and, through V⁻¹, the effect of any systematic change of p.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ellipe, ellipeinc, ellipk, ellipkinc

from analysis.bend.elastica import Bender, NoBalanceError
from analysis.bend.family import SIZE, Family
from analysis.bend.profile import Profile, Rigidity
from analysis.estimate import Estimate
from analysis.readings import Floats

REFERENCE_BEND = 0.25
"""Travel at the reference bend, over the length."""
_ELEMENTS = 10
"""Elements of a rating: load and bend centre of usual tapers to 1e-7 (ours)."""
LOAD, CENTRE, STIFFNESS = range(3)
"""Places of (log reference load, bend centre, log initial stiffness) in `Ratings`."""


@cache
def even_load(bend: float = REFERENCE_BEND) -> float:
    """Load F·L²/EI that bends a uniform blank to a travel of `bend` times its length.

    From the elliptic integrals of Bisshopp & Drucker (1945), Quart. Appl. Math. 3:272: with
    m = (1 + sin θ_tip)/2 and sin φ₁ = 1/√(2m), √a = K(m) − F(φ₁|m) and w/L = 1 − 2·[E(m) − E(φ₁|m)]/√a.

    Examples
    --------
    >>> round(even_load(0.301720773799814), 9)
    1.0
    """

    def root(slope: float) -> tuple[float, float]:
        m = 0.5 * (1.0 + math.sin(slope))
        start = math.asin(1.0 / math.sqrt(2.0 * m))
        return float(ellipk(m) - ellipkinc(start, m)), float(ellipe(m) - ellipeinc(start, m))

    def miss(slope: float) -> float:
        length, moment = root(slope)
        return 1.0 - 2.0 * moment / length - bend

    slope = float(brentq(miss, 1e-6, 0.5 * math.pi - 1e-6, xtol=1e-15))
    return root(slope)[0] ** 2


_CARRIED_PLACES = 8
"""Places in a length that is carried on at which its rigidity is taken."""
_KNOWN_TO = 1e-3
"""A rigidity known to one in a thousand counts as known."""


@dataclass(frozen=True, slots=True)
class Rating:
    """What a blank of known rigidity rates at."""

    reference_load_N: float
    """Load at a travel of a quarter of the length, N."""
    bend_centre: float
    """∫θ ds/(L·θ_tip) there."""
    initial_stiffness_N_per_m: float
    """Load over travel in the limit of small travel, N/m."""
    load_exponent: float
    """d log F/d log y at the reference bend: how a wrong travel scale enters the reference load."""
    length_m: float
    """Length it is rated at, m."""

    @property
    def even_blank_rigidity_Nm2(self) -> float:
        """Rigidity of the uniform blank of the same length and reference load, N·m²."""
        return self.reference_load_N * self.length_m**2 / even_load()


def rate(rigidity: Rigidity, elements: int = _ELEMENTS) -> Rating:
    """Rate a blank at its own length.

    Raises
    ------
    NoBalanceError
        If no load bends it to a quarter of its length.
    """
    return _Rater(rigidity, elements).rate()


class _Rater:
    """Rates one blank after another on one grid."""

    def __init__(self, rigidity: Rigidity, elements: int = _ELEMENTS) -> None:
        self.bender = Bender(rigidity, elements=elements)
        self.theta: Floats | None = None
        self.load = 0.0

    def rate(self, EI: Floats | None = None) -> Rating:
        bender = self.bender
        if EI is not None:
            bender.set_EI(EI)
        length = bender.length_m
        rest = np.zeros(bender.mesh.nodes.size)
        soft = bender.linear(rest, 0.0).travel_per_load
        if self.theta is None:
            # Step up to the bend, so that Newton's method starts near.
            self.theta, self.load = rest, 0.0
            for part in (0.25, 0.5, 0.75):
                guess = self.load + 0.25 * REFERENCE_BEND * length / soft
                self.theta, self.load = bender.to_travel(part * REFERENCE_BEND * length, guess, self.theta)
        theta, load = bender.to_travel(REFERENCE_BEND * length, self.load, self.theta)
        self.theta, self.load = theta, load
        shape = bender.shape(theta, load)
        return Rating(
            reference_load_N=load,
            bend_centre=shape.bend_centre,
            initial_stiffness_N_per_m=1.0 / soft,
            load_exponent=shape.stiffness_N_per_m * REFERENCE_BEND * length / load,
            length_m=length,
        )


def initial_stiffness(profile: Profile) -> Estimate:
    """Load over travel of a profile in the limit of small travel, N/m, with its covariance's standard error.

    By Castigliano: 1/k = ∫ (L − s)²/EI ds, so the relative change of k with log EI at a station is that
    station's share of the integral. A profile without covariance gives no uncertainty.

    Examples
    --------
    >>> uniform = Profile.of(lambda s: 3.0 + 0.0 * s, 1.0)
    >>> round(initial_stiffness(uniform).value, 6)
    9.0
    """
    s = profile.s_m
    fine = np.linspace(0.0, profile.length_m, 40 * (s.size - 1) + 1)
    softness = (profile.length_m - fine) ** 2 / profile.EI(fine)
    parts = _simpson(fine) * softness
    total = float(np.sum(parts))
    if profile.log_covariance is None:
        return Estimate(1.0 / total, 0.0, reason="the profile was given without its covariance")
    hats = np.array([np.interp(fine, s, row) for row in np.eye(s.size)])
    share = hats @ parts / total
    return Estimate(1.0 / total, math.sqrt(float(share @ profile.log_covariance @ share)) / total)


def small_load_centre(profile: Profile) -> Estimate:
    """Bend centre of a profile in the limit of small load, with its covariance's standard error.

    ∫ (L − s)²/EI ds over L·∫ (L − s)/EI ds: travel over slope of the tip, over the length.

    Examples
    --------
    >>> round(small_load_centre(Profile.of(lambda s: 3.0 + 0.0 * s, 1.0)).value, 6)
    0.666667
    """
    s = profile.s_m
    fine = np.linspace(0.0, profile.length_m, 40 * (s.size - 1) + 1)
    per_load = _simpson(fine) * (profile.length_m - fine) / profile.EI(fine)
    travel = per_load * (profile.length_m - fine)
    value = float(travel.sum() / (per_load.sum() * profile.length_m))
    if profile.log_covariance is None:
        return Estimate(value, 0.0, reason="the profile was given without its covariance")
    hats = np.array([np.interp(fine, s, row) for row in np.eye(s.size)])
    share = hats @ (travel / travel.sum() - per_load / per_load.sum())
    return Estimate(value, value * math.sqrt(float(share @ profile.log_covariance @ share)))


def _simpson(at: Floats) -> Floats:
    """Weights of Simpson's rule for evenly spaced places, an odd number of them."""
    weights = np.full(at.size, (at[1] - at[0]) / 3.0)
    weights[1:-1:2] *= 4.0
    weights[2:-1:2] *= 2.0
    return weights


@dataclass(frozen=True, slots=True)
class Ratings:
    """Ratings from a fit: values, and one-σ changes along the covariance's principal directions."""

    value: Rating
    """At the fitted parameters."""
    changes: Floats
    """Change of (log reference load, bend centre, log initial stiffness) by direction, shape (k, 3)."""
    inverse: Floats
    """V⁻¹: brings a change of the parameters to the directions, shape (k, SIZE)."""

    def of(self, which: int) -> float:
        """The value of one of the three: reference load (N), bend centre, initial stiffness (N/m)."""
        value = self.value
        return (value.reference_load_N, value.bend_centre, value.initial_stiffness_N_per_m)[which]

    def gradient(self, which: int) -> Floats:
        """Change of one of the three per parameter of the blank, shape (SIZE,)."""
        return np.asarray(self.changes[:, which] @ self.inverse)

    def effect(self, change: Floats, which: int) -> float:
        """Change of one of the three for a systematic change of the blank's parameters, shape (SIZE,)."""
        return float((self.inverse @ change) @ self.changes[:, which])


def carried_part(
    family: Family, covariance: Floats, gradient: Floats, free_m: float, rated_m: float
) -> float:
    """Find which part of a rating's variance would be gone if the length that is carried on were known.

    With C the covariance of the parameters, g the rating's gradient and G that of log EI beyond the measured
    length, known to ε, gᵀC·G·(GᵀC·G + ε²)⁻¹·GᵀC·g over gᵀC·g (conditioning of a normal distribution).

    Parameters
    ----------
    family : Family
        What the parameters mean.
    covariance : ndarray, shape (SIZE, SIZE)
        Of the parameters.
    gradient : ndarray, shape (SIZE,)
        Of the rating.
    free_m, rated_m : float
        What was measured and what is rated, m from the tip.

    Returns
    -------
    float
        0 to 1.
    """
    beyond = np.linspace(free_m, rated_m, _CARRIED_PLACES + 1)[1:]
    across = covariance @ family.linear(beyond)[1]
    whole = float(gradient @ covariance @ gradient)
    known = family.linear(beyond)[1].T @ across
    told = gradient @ across
    part = float(told @ np.linalg.solve(known + _KNOWN_TO**2 * np.eye(len(known)), told))
    return min(1.0, max(0.0, part / whole)) if whole > 0.0 else 0.0


def ratings_of(
    family: Family,
    parameters: Floats,
    covariance: Floats,
    length_m: float,
    rigidity: Rigidity,
    from_tip_m: float = 0.0,
) -> Ratings:
    """Rate a fit at a length.

    Parameters
    ----------
    family : Family
        What the parameters mean.
    parameters : ndarray, shape (SIZE,)
        Of the blank.
    covariance : ndarray, shape (SIZE, SIZE)
        Theirs.
    length_m : float
        Length to rate at, m; no longer than the family's reach.
    from_tip_m : float
        Where the rated blank ends, m from the tip of the fitted one (what is cut off).
    rigidity : Profile or Taper
        Of that length, falling toward the tip as usual; lays out the grid.

    Raises
    ------
    NoBalanceError
        If no load bends the blank to a quarter of that length.
    """
    rater = _Rater(rigidity)
    base, gradient = family.linear(from_tip_m + length_m - rater.bender.mesh.points)

    def at(p: Floats) -> Rating:
        return rater.rate(np.exp(base + np.tensordot(p, gradient, axes=1)))

    values, vectors = np.linalg.eigh(covariance)
    sizes = np.sqrt(np.maximum(values, 1e-14 * float(values[-1])))
    value = at(parameters)
    changes = np.zeros((SIZE, 3))
    for k, (size, vector) in enumerate(zip(sizes, vectors.T, strict=True)):
        up, down = at(parameters + size * vector), at(parameters - size * vector)
        changes[k] = (
            0.5 * math.log(up.reference_load_N / down.reference_load_N),
            0.5 * (up.bend_centre - down.bend_centre),
            0.5 * math.log(up.initial_stiffness_N_per_m / down.initial_stiffness_N_per_m),
        )
    return Ratings(value, changes, (vectors / sizes).T)


__all__ = ["REFERENCE_BEND", "NoBalanceError", "Rating", "Ratings", "even_load", "rate", "ratings_of"]
