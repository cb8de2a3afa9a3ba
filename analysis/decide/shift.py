"""Has the maker's blank changed since the last shipment? Two shipments of one model, one property."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import fdtri, stdtr

from analysis.errors import ReadingsError
from analysis.estimate import Estimate, coverage_factor

Change = Literal["changed", "same", "undecided"]
"""Beyond the tolerance, within it, or not enough blanks to tell."""

_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Shift:
    """How the mean and the scatter of a model moved between two shipments."""

    change: Estimate
    """Later mean minus earlier mean, in the unit of the values."""
    tolerance: float
    """A change up to this does not matter to the shop."""
    p_none: float
    """Probability of a difference as large if the means were alike (Welch)."""
    p_changed: float
    """Largest probability of one as large if the true change were within the tolerance."""
    p_same: float
    """Largest probability of one as small if the true change were at the tolerance or beyond."""
    verdict: Change
    """At 5 %."""
    scatter_ratio: float
    """Later over earlier standard deviation of the measured values."""
    scatter_low: float
    """Lower end of its 95 % interval (F distribution)."""
    scatter_high: float
    """Upper end."""


def shipment_shift(
    earlier: Sequence[Estimate],
    later: Sequence[Estimate],
    tolerance: float,
    *,
    same_calibration: bool = False,
) -> Shift:
    """Compare two shipments as samples of the maker's production then and now.

    The means are compared by Welch's t (1947), whose error holds the blanks' scatter and the measurement's
    noise alike. What all blanks share (calibration) cancels only where both were measured with the same
    calibration; else both shares enter. ``same`` needs two one-sided tests (Schuirmann 1987), ``changed`` a
    change that is beyond the tolerance at 5 %.

    Parameters
    ----------
    earlier, later : sequence of Estimate
        One property of each blank, at least two blanks each.
    tolerance : float
        > 0, in the unit of the values.
    same_calibration : bool
        True if one calibration was in force for both.

    Raises
    ------
    ReadingsError
        With fewer than two blanks in a shipment, or nothing that scatters.
    ValueError
        For a tolerance that is not positive.
    """
    if not tolerance > 0.0:
        raise ValueError("the tolerance must be positive")
    first, second = (np.array([item.value for item in one]) for one in (earlier, later))
    first, second = first[np.isfinite(first)], second[np.isfinite(second)]
    if min(first.size, second.size) < 2:
        raise ReadingsError("a shipment has fewer than two blanks", "measure more blanks of each shipment")
    parts = np.array([first.var(ddof=1) / first.size, second.var(ddof=1) / second.size])
    shared = _common(earlier, later) / coverage_factor(math.inf)
    if not same_calibration:
        ends = [float(np.mean([item.shared_ci95 for item in one])) for one in (earlier, later)]
        shared = math.hypot(shared, *(end / coverage_factor(math.inf) for end in ends))
    error = math.sqrt(float(parts.sum()) + shared**2)
    if error == 0.0:
        raise ReadingsError("the blanks show no scatter at all", "check that these are measured values")
    spent = float(parts[0] ** 2 / (first.size - 1) + parts[1] ** 2 / (second.size - 1))
    dof = min(error**4 / spent, 1e9) if spent > 0.0 else 1e9
    move = float(second.mean() - first.mean())
    size = abs(move)
    p_same = float(stdtr(dof, (size - tolerance) / error))
    p_changed = float(stdtr(dof, (tolerance - size) / error) + stdtr(dof, (-tolerance - size) / error))
    verdict: Change = "undecided"
    if p_changed <= _LEVEL:
        verdict = "changed"
    elif p_same <= _LEVEL:
        verdict = "same"
    low, ratio, high = _scatter(first, second)
    return Shift(
        change=Estimate(move, error, dof),
        tolerance=tolerance,
        p_none=2.0 * float(stdtr(dof, -size / error)),
        p_changed=min(1.0, p_changed),
        p_same=p_same,
        verdict=verdict,
        scatter_ratio=ratio,
        scatter_low=low,
        scatter_high=high,
    )


def _common(earlier: Sequence[Estimate], later: Sequence[Estimate]) -> float:
    """95 % half-width of the change from what turns with the chuck: it cancels where marks stand alike."""
    sums: dict[tuple[str, str], np.ndarray] = {}
    for sign, items in ((-1.0, earlier), (1.0, later)):
        for item in items:
            for share in item.shares:
                if share.along:
                    key = (share.cause, share.of)
                    part = sign / len(items) * np.array(share.along)
                    sums[key] = sums[key] + part if key in sums else part
    return math.hypot(*(float(np.linalg.norm(part)) for part in sums.values()))


def _scatter(first: np.ndarray, second: np.ndarray) -> tuple[float, float, float]:
    """Ratio of the standard deviations, later over earlier, with its 95 % interval."""
    if first.var(ddof=1) == 0.0:
        return 0.0, math.inf, math.inf
    ratio = float(second.var(ddof=1) / first.var(ddof=1))
    dof = second.size - 1, first.size - 1
    top, bottom = float(fdtri(*dof, 0.975)), float(fdtri(*dof, 0.025))
    return math.sqrt(ratio / top), math.sqrt(ratio), math.sqrt(ratio / bottom)
