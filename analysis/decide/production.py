"""Two shipments of one model, property by property: has the maker's blank changed?"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.decide.properties import PERCENT_OF_MEDIAN
from analysis.decide.shift import Change, Shift, shipment_shift
from analysis.errors import ReadingsError
from analysis.estimate import Estimate

LEVEL = 0.05
"""Each false "changed" of the whole comparison comes at most one time in twenty (Holm 1979)."""


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
