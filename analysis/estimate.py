"""A value with what is known about its error, noise and systematic parts kept apart.

The 95 % half-width that is printed is √(noise² + Σ systematic²) (design rule: parts are combined only at
the end). Parts that all blanks of one rig share do not average down over repeats and cancel in a spread;
they are marked ``shared``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import stdtrit

GUESSED = "never measured"
"""Source of the shares of a rig that was never measured."""
NORMAL_95 = 1.959964
"""Two-sided 95 % factor of the normal distribution, Φ⁻¹(0.975) (closed form): a stated ± over it is one
standard deviation."""


MOST_DOF = 1e9
"""More degrees of freedom, and infinity, are taken for this many: Student's t is the normal there."""


@dataclass(frozen=True, slots=True)
class Share:
    """One systematic part of a half-width."""

    cause: str
    """Where it comes from, one or two plain words: ``calibration``, ``bow``, ``free length`` …"""
    ci95: float
    """95 % half-width in the unit of the value."""
    shared: bool = False
    """True if every blank measured on this rig carries the same error."""
    along: tuple[float, ...] = ()
    """The half-width along independent errors that all blanks of one rig share, each blank in its own pattern
    (what turns with the chuck turns from blank to blank with the mark); empty: no such pattern."""
    of: str = ""
    """Whose errors `along` counts: shares of another source are independent."""

    def scaled(self, factor: float) -> Share:
        """The part in another unit, or times an exact number."""
        along = tuple(factor * part for part in self.along)
        return Share(self.cause, abs(factor) * self.ci95, self.shared, along, self.of)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured value (SI, rad) with its noise part and its systematic parts.

    Examples
    --------
    >>> load = Estimate(2.0, 0.01, shares=(Share("calibration", 0.02, shared=True),))
    >>> round(load.ci95, 4)
    0.028
    >>> load.scaled(2.0).value
    4.0
    """

    value: float
    """The best value."""
    noise: float
    """Standard error (one σ) from the scatter of the readings; nan where it could not be found."""
    dof: float = math.inf
    """Degrees of freedom behind `noise`; decides how many σ make 95 %."""
    shares: tuple[Share, ...] = ()
    """Systematic parts, 95 % half-widths."""
    reason: str = ""
    """Why no uncertainty is available, where `noise` is nan."""

    @property
    def noise_ci95(self) -> float:
        """95 % half-width of the noise part alone (Student's t for the degrees of freedom)."""
        if self.noise == 0.0:
            return 0.0
        return float(coverage_factor(self.dof) * self.noise)

    @property
    def systematic_ci95(self) -> float:
        """95 % half-width of all systematic parts together."""
        return math.hypot(*(share.ci95 for share in self.shares))

    @property
    def shared_ci95(self) -> float:
        """95 % half-width of the systematic parts that all blanks of the rig share."""
        return math.hypot(*(share.ci95 for share in self.shares if share.shared))

    @property
    def own_ci95(self) -> float:
        """95 % half-width without the shared parts: what counts between blanks of one rig."""
        return math.hypot(self.noise_ci95, *(share.ci95 for share in self.shares if not share.shared))

    @property
    def ci95(self) -> float:
        """95 % half-width, noise and systematic parts together."""
        return math.hypot(self.noise_ci95, self.systematic_ci95)

    def scaled(self, factor: float) -> Estimate:
        """The estimate in another unit, or times an exact number."""
        shares = tuple(share.scaled(factor) for share in self.shares)
        return Estimate(self.value * factor, self.noise * abs(factor), self.dof, shares, self.reason)

    def with_shares(self, shares: Iterable[Share]) -> Estimate:
        """The estimate with further systematic parts; parts that are exactly zero are left out."""
        more = tuple(share for share in shares if share.ci95 != 0.0)
        return Estimate(self.value, self.noise, self.dof, self.shares + more, self.reason)


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Two-sided coverage factor of Student's t: half-width = factor times standard error.

    Parameters
    ----------
    dof : float
        Degrees of freedom, > 0; ``inf`` gives the normal factor 1.95996….

    Examples
    --------
    >>> round(coverage_factor(math.inf), 5), round(coverage_factor(10), 4)
    (1.95996, 2.2281)
    """
    finite = min(dof, MOST_DOF)
    return float(stdtrit(finite, 0.5 + 0.5 * probability))
