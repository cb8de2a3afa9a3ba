"""Rigidity along a blank: what a bent shape is computed from and what a flex run is turned into.

Two kinds serve the solver alike: `Taper`, the exact family, and `Profile`, values on stations with what is
known of their error. Stations count from the chuck's face (0) to the tip (the free length).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator

from analysis.estimate import Estimate
from analysis.readings import Floats

_NO_KNOTS: Floats = np.empty(0)


class Rigidity(Protocol):
    """Anything that has a flexural rigidity along a free length."""

    @property
    def length_m(self) -> float:
        """From the chuck's face to the tip, m."""
        ...

    @property
    def breaks_m(self) -> tuple[float, ...]:
        """Stations where the rigidity jumps or has a corner, m."""
        ...

    @property
    def knots_m(self) -> Floats:
        """Stations between which the rigidity is smooth, m, shape (k,)."""
        ...

    def EI(self, s_m: ArrayLike) -> Floats:
        """Flexural rigidity at the stations `s_m`, N·m²."""
        ...


@dataclass(frozen=True, slots=True)
class Taper:
    """The family of tapers EI(s) = EI_butt·(1 − (1 − r)·s/L)^n.

    n = 3 is a thin tube of constant wall with a straight taper, n = 4 a solid cone or a tube whose wall
    tapers along (beam theory; r is the outer diameter at the tip over that at the chuck).

    Examples
    --------
    >>> Taper(2.0, 16.0, 0.5, 4.0).EI([0.0, 2.0]).tolist()
    [16.0, 1.0]
    """

    length_m: float
    """From the chuck's face to the tip, m."""
    butt_Nm2: float
    """Rigidity at the chuck's face, N·m²."""
    ratio: float = 1.0
    """r > 0: diameter at the tip over diameter at the chuck."""
    exponent: float = 3.0
    """n: how the rigidity follows the diameter."""

    def __post_init__(self) -> None:
        if not (self.length_m > 0.0 and self.butt_Nm2 > 0.0 and self.ratio > 0.0):
            raise ValueError("a taper needs a positive length, rigidity and ratio")

    @property
    def breaks_m(self) -> tuple[float, ...]:
        """A taper has no corner."""
        return ()

    @property
    def knots_m(self) -> Floats:
        """A taper is smooth."""
        return _NO_KNOTS

    def EI(self, s_m: ArrayLike) -> Floats:
        """Flexural rigidity at the stations `s_m`, N·m²."""
        s = np.asarray(s_m, dtype=float)
        out: Floats = self.butt_Nm2 * (1.0 - (1.0 - self.ratio) * s / self.length_m) ** self.exponent
        return out


@dataclass(frozen=True, slots=True)
class Profile:
    """Rigidity at stations along a blank, positive and without overshoot between them.

    Between stations log EI is a monotone cubic (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238), so a
    ferrule does not make the curve swing. Beyond either end the cube root of EI, which follows the diameter
    of a thin tube, goes on in a straight line.
    """

    s_m: Floats
    """Stations from the chuck's face, m, rising, first 0, last the free length, shape (n,), n ≥ 2."""
    EI_Nm2: Floats
    """Flexural rigidity there, N·m², positive, shape (n,)."""
    log_covariance: Floats | None = None
    """Covariance of log EI at the stations, noise and the family's own error together, shape (n, n)."""
    breaks_m: tuple[float, ...] = ()
    """Stations where the rigidity jumps or has a corner, m."""
    clamped_length_m: float | None = None
    """From the butt's end to the chuck's face, m, where it is known."""
    blank: str = ""
    """Name of the blank."""
    _log_EI: PchipInterpolator = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        s = np.asarray(self.s_m, dtype=float)
        rigidity = np.asarray(self.EI_Nm2, dtype=float)
        if s.ndim != 1 or s.size < 2 or rigidity.shape != s.shape:
            raise ValueError("a profile needs as many rigidities as stations, at least two")
        if s[0] != 0.0 or not np.all(np.diff(s) > 0.0):
            raise ValueError("the stations of a profile start at 0 and rise")
        if not np.all(np.isfinite(rigidity)) or not np.all(rigidity > 0.0):
            raise ValueError("rigidity is positive everywhere")
        if self.log_covariance is not None and np.shape(self.log_covariance) != (s.size, s.size):
            raise ValueError("the covariance is square, one row a station")
        object.__setattr__(self, "s_m", s)
        object.__setattr__(self, "EI_Nm2", rigidity)
        object.__setattr__(self, "_log_EI", PchipInterpolator(s, np.log(rigidity)))

    @classmethod
    def of(cls, EI: Callable[[Floats], ArrayLike], length_m: float, stations: int = 201) -> Profile:
        """Sample a function EI(s), N·m², at evenly spaced stations."""
        s = np.linspace(0.0, length_m, stations)
        return cls(s, np.broadcast_to(np.asarray(EI(s), dtype=float), s.shape).copy())

    @property
    def length_m(self) -> float:
        """From the chuck's face to the tip, m."""
        return float(self.s_m[-1])

    @property
    def knots_m(self) -> Floats:
        """The second derivative of EI jumps at every station."""
        return np.union1d(self.s_m, self.breaks_m) if self.breaks_m else self.s_m

    def EI(self, s_m: ArrayLike) -> Floats:
        """Flexural rigidity at the stations `s_m`, N·m²; beyond the ends EI^⅓ goes on straight."""
        s = np.asarray(s_m, dtype=float)
        inside = np.clip(s, 0.0, self.length_m)
        out: Floats = np.exp(self._log_EI(inside))
        beyond = s != inside
        if np.any(beyond):
            slope = np.asarray(self._log_EI(inside[beyond], 1)) / 3.0
            root = np.maximum(1.0 + slope * (s - inside)[beyond], 0.05)
            out[beyond] *= root**3
        return out

    def estimate(self, s_m: float) -> Estimate:
        """Rigidity at one station with its standard error, N·m² (nan where no covariance is known)."""
        value = float(self.EI(s_m))
        if self.log_covariance is None:
            return Estimate(value, math.nan, reason="the profile was given without its covariance")
        weights = np.array([np.interp(s_m, self.s_m, row) for row in np.eye(self.s_m.size)])
        return Estimate(value, value * math.sqrt(max(float(weights @ self.log_covariance @ weights), 0.0)))

    def cut_tip(self, length_m: float) -> Profile:
        """Cut a length from the tip, m."""
        return self._part(0.0, self.length_m - length_m)

    def cut_butt(self, length_m: float) -> Profile:
        """Cut a length from the butt, m, and clamp that much nearer to the tip."""
        return self._part(length_m, self.length_m)

    def rated(self, length_m: float) -> Profile:
        """Clamp the blank `length_m` from the tip instead.

        Shorter: the part next to the chuck is dropped. Longer: the part that was in the chuck is carried on
        beyond the measured stations, as `EI` does.
        """
        return self._part(self.length_m - length_m, self.length_m)

    def _part(self, start_m: float, end_m: float) -> Profile:
        if not (end_m - start_m > 0.0 and end_m <= self.length_m):
            raise ValueError("nothing would be left of the blank")
        inner = (self.s_m > start_m) & (self.s_m < end_m)
        s = np.concatenate(([start_m], self.s_m[inner], [end_m]))
        covariance = None
        if self.log_covariance is not None:
            weights = np.array([np.interp(s, self.s_m, row) for row in np.eye(self.s_m.size)]).T
            covariance = weights @ self.log_covariance @ weights.T
        return Profile(
            s - start_m,
            self.EI(s),
            covariance,
            tuple(b - start_m for b in self.breaks_m if start_m < b < end_m),
            None if self.clamped_length_m is None else self.clamped_length_m + start_m,
            self.blank,
        )


def own_weight(
    rigidity: Rigidity, mass_kg: float, length_m: float | None = None, gravity: float = 9.80665
) -> Callable[[Floats], Floats]:
    """Weight per length of a blank whose mass is known, N/m, as a function of the station.

    A thin tube of constant wall has EI ∝ D³ and section ∝ D, so the weight follows EI^⅓. The whole blank's
    mass is spread over its whole length; the part in the chuck is taken as wide as the chuck's face.

    Parameters
    ----------
    rigidity : Taper or Profile
    mass_kg : float
        Mass of the whole blank, kg.
    length_m : float, optional
        Length of the whole blank, m; the free length where it is not known.
    gravity : float
        Standard gravity unless told otherwise, m/s².
    """
    free = rigidity.length_m
    s = np.linspace(0.0, free, 401)
    root = np.cbrt(rigidity.EI(s))
    clamped = max((length_m or free) - free, 0.0)
    whole = float(
        np.trapezoid(root, s) if hasattr(np, "trapezoid") else np.sum(root[:-1] + root[1:]) * s[1] / 2
    )
    scale = mass_kg * gravity / (whole + clamped * float(root[0]))

    def per_length(stations: Floats) -> Floats:
        out: Floats = scale * np.cbrt(rigidity.EI(stations))
        return out

    return per_length
