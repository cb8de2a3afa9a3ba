"""Where a blank works hardest under a load, and the load at which a limit of the shop is reached.

The curvature at a station is the moment there over the rigidity, θ' = F·(x_tip − x(s))/EI(s), in the bent
shape; the strain at the outside of the tube is half the outer diameter times that (beam theory). Neither
knows when a thin tube flattens or buckles, nor how much its laminate bears.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from analysis.bend.bender import Bender
from analysis.bend.profile import Profile
from analysis.bend.rating import REFERENCE_BEND, initial_stiffness
from analysis.errors import BlankbenchError
from analysis.estimate import Estimate, Share
from analysis.readings import Floats

Measure = Literal["curvature", "strain"]
"""What a limit is set on."""
_PLACES = 801  # along the blank: the worst place to an eighth of a percent of the length
_ELEMENTS = 16  # curvature is a derivative of what is solved for: finer than a rating
_FURTHEST = 20.0
"""Limits are looked for up to so many times the load of the reference bend in small bending."""


@dataclass(frozen=True, slots=True)
class Diameters:
    """Outer diameter along a blank."""

    from_tip_m: Floats
    """Distances from the tip, m, rising, shape (n,)."""
    outer_m: Floats
    """Outer diameter there, m, shape (n,)."""
    assumed: str = ""
    """What was assumed, for the builder; empty where it was measured along the blank."""

    def __post_init__(self) -> None:
        at, outer = np.asarray(self.from_tip_m, float), np.asarray(self.outer_m, float)
        if at.ndim != 1 or at.shape != outer.shape or at.size < 2 or not np.all(np.diff(at) > 0.0):
            raise ValueError("diameters stand at two distances from the tip or more, rising")
        if not (np.isfinite(at).all() and np.isfinite(outer).all() and np.all(outer > 0.0)):
            raise ValueError("diameters are positive numbers")

    def at(self, from_tip_m: Floats) -> Floats:
        """Outer diameter at distances from the tip, m; straight between the given ones."""
        return np.asarray(np.interp(from_tip_m, self.from_tip_m, self.outer_m))


@dataclass(frozen=True, slots=True)
class Hardest:
    """Where a blank works hardest at a load."""

    load_N: float
    """The load, at the tip along the pull, N."""
    from_tip: Estimate
    """Where the blank is bent most, m from the tip."""
    curvature: Estimate
    """Curvature there, 1/m."""
    strain: Estimate | None
    """Largest strain at the outside, as a fraction; None without diameters."""
    strain_from_tip: Estimate | None
    """Where that is, m from the tip."""

    @property
    def radius(self) -> Estimate:
        """Radius of the bend where it is tightest, m."""
        value = 1.0 / self.curvature.value
        shares = tuple(Share(s.cause, s.ci95 * value**2, s.shared) for s in self.curvature.shares)
        return Estimate(value, self.curvature.noise * value**2, self.curvature.dof, shares)


@dataclass(frozen=True, slots=True)
class LimitLoad:
    """The load at which a limit is reached."""

    of: Measure
    """What the limit is on."""
    value: float
    """The limit: 1/m, or strain as a fraction."""
    load: Estimate | None
    """Load at the tip that reaches it, N; None where none up to `searched_N` does."""
    from_tip_m: float
    """Where it is reached, m from the tip; nan where it is not."""
    searched_N: float
    """Loads up to this were looked at, N."""


class Stretch:
    """One blank, bent to tell its curvature and strain.

    Parameters
    ----------
    profile : Profile
        Rigidity of the free length, with its covariance.
    diameters : Diameters or None
        Outer diameters, which must reach from the tip to the chuck.
    scales : sequence of Share
        Systematic relative half-widths of the rigidity as a whole (`ci95` without unit).

    Raises
    ------
    BlankbenchError
        If the diameters do not cover the free length.
    """

    def __init__(
        self, profile: Profile, diameters: Diameters | None = None, scales: Sequence[Share] = ()
    ) -> None:
        self.profile = profile
        self.scales = scales
        length = profile.length_m
        self._s = np.linspace(0.0, length, _PLACES)
        self._from_tip = length - self._s
        self._half: Floats | None = None
        if diameters is not None:
            first, last = float(diameters.from_tip_m[0]), float(diameters.from_tip_m[-1])
            if first > 0.01 * length or last < 0.99 * length:
                raise BlankbenchError(
                    f"the diameters reach from {first:.3f} m to {last:.3f} m from the tip, and the free "
                    f"length is {length:.3f} m",
                    "measure from the tip to the chuck",
                )
            self._half = 0.5 * diameters.at(self._from_tip)
        self._bender = Bender(profile, elements=_ELEMENTS)
        self._turned = self._directions()

    def _directions(self) -> list[Profile]:
        """Profiles one standard deviation up and down along each direction of the covariance."""
        covariance = self.profile.log_covariance
        if covariance is None:
            return []
        values, vectors = np.linalg.eigh(covariance)
        out = []
        for value, vector in zip(values, vectors.T, strict=True):
            if value > 1e-9 * values[-1]:
                for sign in (1.0, -1.0):
                    turned = np.exp(sign * math.sqrt(value) * vector)
                    out.append(Profile(self.profile.s_m, self.profile.EI_Nm2 * turned))
        return out

    def _unit(self) -> float:
        """Load of the reference bend in small bending, N."""
        bare = Profile(self.profile.s_m, self.profile.EI_Nm2)
        return REFERENCE_BEND * self.profile.length_m * initial_stiffness(bare).value

    def _worked(self, load_N: float, measure: Measure, profile: Profile) -> tuple[float, float]:
        """Largest curvature or strain under a load, and its distance from the tip, m."""
        bender = self._bender
        bender.set_EI(profile.EI(bender.mesh.points))
        theta = bender.relax(load_N)
        x, _ = bender.place(theta)
        arm = float(x[-1]) - CubicSpline(bender.mesh.nodes, x)(self._s)
        worked = load_N * arm / profile.EI(self._s)
        if measure == "strain":
            assert self._half is not None
            worked = worked * self._half
        most = int(np.argmax(worked))
        return float(worked[most]), float(self._from_tip[most])

    def _peak(self, load_N: float, measure: Measure) -> tuple[Estimate, Estimate, float]:
        """Largest value and its place, with their errors, and the value's change per load."""
        value, place = self._worked(load_N, measure, self.profile)
        turned = np.array([self._worked(load_N, measure, each) for each in self._turned]).reshape(-1, 2, 2)
        half = 0.5 * (turned[:, 0] - turned[:, 1])
        noise, where = np.sqrt(np.sum(half**2, axis=0)) if half.size else (0.0, 0.0)
        step = 0.01 * load_N
        up, _ = self._worked(load_N + step, measure, self.profile)
        down, _ = self._worked(load_N - step, measure, self.profile)
        per_load = (up - down) / (2.0 * step)
        shares = [Share(s.cause, s.ci95 * load_N * per_load, s.shared) for s in self.scales]
        coarse = float(self._s[1]) / math.sqrt(12.0)
        return (
            Estimate(value, float(noise)).with_shares(shares),
            Estimate(place, math.hypot(float(where), coarse)),
            per_load,
        )

    def hardest(self, load_N: float) -> Hardest:
        """Where the blank works hardest under a load at the tip, N.

        Raises
        ------
        BlankbenchError
            If the load is so large that no blank stands it.
        """
        if not load_N <= _FURTHEST * self._unit():
            raise BlankbenchError(
                f"{load_N:g} N is over {_FURTHEST:.0f} times what bends the blank by a quarter of its length",
                "ask for a smaller load",
            )
        curvature, place, _ = self._peak(load_N, "curvature")
        if self._half is None:
            return Hardest(load_N, place, curvature, None, None)
        strain, strain_place, _ = self._peak(load_N, "strain")
        return Hardest(load_N, place, curvature, strain, strain_place)

    def limit(self, of: Measure, value: float) -> LimitLoad:
        """Find the load at which a limit is reached.

        Parameters
        ----------
        of : {"curvature", "strain"}
            What the limit is on; strain needs diameters.
        value : float
            The limit, 1/m or a fraction.
        """
        if of == "strain" and self._half is None:
            raise ValueError("a limit on strain needs diameters")
        profile, unit = self.profile, self._unit()
        low, high = 1e-6 * unit, 0.25 * unit
        while self._worked(high, of, profile)[0] < value:
            low, high = high, 1.5 * high
            if high > _FURTHEST * unit:
                return LimitLoad(of, value, None, math.nan, low)
        load = brentq(lambda load: self._worked(load, of, profile)[0] - value, low, high, xtol=1e-9 * unit)
        peak, place, per_load = self._peak(load, of)
        shares = [Share(s.cause, s.ci95 * load, s.shared) for s in self.scales]
        return LimitLoad(
            of, value, Estimate(load, peak.noise / per_load).with_shares(shares), place.value, high
        )


__all__ = ["Diameters", "Hardest", "LimitLoad", "Measure", "Stretch"]
