"""Has the maker's blank changed since the last shipment? Two shipments of one model, property by property."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import fdtri, stdtr

from analysis.decide.properties import PERCENT_OF_MEDIAN
from analysis.errors import ReadingsError
from analysis.estimate import MOST_DOF, Estimate, coverage_factor

Change = Literal["changed", "same", "undecided"]
"""Beyond the tolerance, within it, or not enough blanks to tell."""

LEVEL = 0.05
"""Each false "changed" of the whole comparison comes at most one time in twenty (Holm 1979)."""


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
    dof = min(error**4 / spent, MOST_DOF) if spent > 0.0 else MOST_DOF
    move = float(second.mean() - first.mean())
    return _judged(Estimate(move, error, dof), tolerance, _scatter(first, second))


def _judged(change: Estimate, tolerance: float, scatter: tuple[float, float, float]) -> Shift:
    """Test a change against none, against the tolerance from within and from beyond it."""
    size, error, dof = abs(change.value), change.noise, change.dof
    p_same = float(stdtr(dof, (size - tolerance) / error))
    p_changed = float(stdtr(dof, (tolerance - size) / error) + stdtr(dof, (-tolerance - size) / error))
    verdict: Change = "undecided"
    if p_changed <= LEVEL:
        verdict = "changed"
    elif p_same <= LEVEL:
        verdict = "same"
    low, ratio, high = scatter
    return Shift(
        change=change,
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


@dataclass(frozen=True, slots=True)
class PropertyShift:
    """One property in two shipments."""

    name: str
    """Property."""
    earlier_mean: float
    """Mean of the earlier shipment, in the property's unit."""
    later_mean: float
    """Of the later one."""
    counts: tuple[int, int]
    """Blanks with a value in each."""
    shift: Shift | None
    """The comparison; None where it cannot be made."""
    verdict: Change
    """With what the other properties were asked taken into account."""
    reason: str = ""
    """Why there is no comparison."""


@dataclass(frozen=True, slots=True)
class ProductionShift:
    """All properties of two shipments."""

    properties: tuple[PropertyShift, ...]
    """In the order asked."""
    warnings: tuple[str, ...] = ()
    """Plain sentences."""

    @property
    def verdict(self) -> Change:
        """``changed`` if any property has; ``same`` if all are; else ``undecided``."""
        verdicts = {one.verdict for one in self.properties}
        if "changed" in verdicts:
            return "changed"
        return "same" if verdicts == {"same"} else "undecided"


def compare_shipments(
    earlier: Mapping[str, Mapping[str, Estimate]],
    later: Mapping[str, Mapping[str, Estimate]],
    tolerances: Mapping[str, float],
    *,
    same_calibration: bool = False,
) -> ProductionShift:
    """Compare two shipments of one model.

    Parameters
    ----------
    earlier, later : mapping of property name to mapping of blank to Estimate
        As for `compare_batch`.
    tolerances : mapping of property name to float
        A change of the mean up to this does not matter: percent of the earlier median for loads and
        stiffnesses, in the property's own unit otherwise.
    same_calibration : bool
        True if one calibration was in force for both, so that its error cancels.

    Raises
    ------
    ReadingsError
        If the shipments share no property.
    """
    found: list[PropertyShift] = []
    for name, tolerance in tolerances.items():
        pair = [
            [value for value in one.get(name, {}).values() if math.isfinite(value.value)]
            for one in (earlier, later)
        ]
        counts = len(pair[0]), len(pair[1])
        if not all(counts):
            continue
        before, after = (float(np.mean([value.value for value in values])) for values in pair)
        size = tolerance
        if name in PERCENT_OF_MEDIAN:
            size = 0.01 * tolerance * abs(float(np.median([value.value for value in pair[0]])))
        try:
            shift = shipment_shift(pair[0], pair[1], size, same_calibration=same_calibration)
            found.append(PropertyShift(name, before, after, counts, shift, shift.verdict))
        except (ReadingsError, ValueError) as error:
            why = error.what if isinstance(error, ReadingsError) else str(error)
            found.append(PropertyShift(name, before, after, counts, None, "undecided", why))
    if not found:
        raise ReadingsError("the two shipments share no property", "measure the same things of both")
    return ProductionShift(tuple(_together(found)))


def _together(found: list[PropertyShift]) -> list[PropertyShift]:
    """Hold ``changed`` to one false alarm in twenty for all properties together (Holm's step-down)."""
    asked = sorted(one.shift.p_changed for one in found if one.shift is not None)
    allowed: set[float] = set()
    for rank, p_value in enumerate(asked):
        if p_value > LEVEL / (len(asked) - rank):
            break
        allowed.add(p_value)
    return [
        replace(one, verdict="undecided")
        if one.verdict == "changed" and one.shift is not None and one.shift.p_changed not in allowed
        else one
        for one in found
    ]
