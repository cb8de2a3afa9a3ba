"""What the shop wants of a model: targets, limits and the shop's own grades, as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

WITHIN_LIMITS = "within limits"
"""What a blank is called that keeps the model's limits and reaches none of the shop's grades."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What one property must lie between, in the unit of the property."""

    lower: float | None = None
    """Lower limit; None: there is none."""
    upper: float | None = None
    """Upper limit; None: there is none."""
    target: float | None = None
    """What the model should have."""


@dataclass(frozen=True, slots=True)
class Specification:
    """Limits that every blank of a model must keep, and grades with limits of their own."""

    limits: Mapping[str, Limit] = field(default_factory=dict)
    """By property; what a grade does not state itself it takes from here."""
    grades: Mapping[str, Mapping[str, Limit]] = field(default_factory=dict)
    """Grade → property → limit, the best grade first."""

    @property
    def steps(self) -> dict[str, dict[str, Limit]]:
        """All grades with all their limits, the best first; the limits by themselves come last.

        Examples
        --------
        >>> limits = {"bow": Limit(upper=0.012)}
        >>> list(Specification(limits, {"first": {"bow": Limit(upper=0.005)}}).steps)
        ['first', 'within limits']
        """
        steps = {name: {**self.limits, **own} for name, own in self.grades.items()}
        return steps | ({WITHIN_LIMITS: dict(self.limits)} if self.limits else {})


def build_specification(table: Mapping[str, Any]) -> Specification | None:
    """Build a specification from a checked table; None where it has neither ``limits`` nor ``grades``."""
    limits = {name: _limit(entry) for name, entry in table.get("limits", {}).items()}
    grades = {
        grade: {name: _limit(entry) for name, entry in own.items()}
        for grade, own in table.get("grades", {}).items()
    }
    return Specification(limits, grades) if limits or grades else None


def _limit(entry: Mapping[str, float]) -> Limit:
    lower, upper, target = entry.get("lower"), entry.get("upper"), entry.get("target")
    within = entry.get("within")
    if within is None and "within_pct" in entry and target is not None:
        within = abs(target) * entry["within_pct"] / 100.0
    if within is not None and target is not None:
        lower, upper = target - within, target + within
    return Limit(*(None if value is None else float(value) for value in (lower, upper, target)))


def limit_fault(entry: object) -> str:
    """Say what is wrong with a limit as written; empty where it is right.

    Examples
    --------
    >>> limit_fault({"target": 5.0, "within_pct": 4})
    ''
    >>> limit_fault({"target": 5.0})
    'has no limit: give lower, upper or both, or within beside the target'
    """
    known = ("target", "lower", "upper", "within", "within_pct")
    if not isinstance(entry, Mapping):
        return "must be written as { target = 5.0, lower = 4.8, upper = 5.2 }"
    for key in entry:
        if key not in known:
            return f"has '{key}', which is none of {', '.join(known)}"
    ways = [key for key in ("within", "within_pct") if key in entry]
    ends = [key for key in ("lower", "upper") if key in entry]
    if not ways and not ends:
        return "has no limit: give lower, upper or both, or within beside the target"
    if len(ways) == 2 or (ways and ends):
        return f"gives both {(ways + ends)[0]} and {(ways + ends)[1]}; keep one way"
    if ways and "target" not in entry:
        return f"gives {ways[0]} without a target"
    if ways and not entry[ways[0]] > 0:
        return f"gives a {ways[0]} that is not above zero"
    if len(ends) == 2 and not entry["lower"] < entry["upper"]:
        return "has a lower limit that is not below its upper one"
    return ""
