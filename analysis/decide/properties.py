"""The properties that blanks are compared by: names, units, shipped tolerances.

A shop may add its own: any number that its runs' headers state, under the header's key. Its unit is the key's
last part (``wall_mm``, ``tip_diameter_m``).
"""

from __future__ import annotations

from collections.abc import Mapping

DEFAULT_TOLERANCES: Mapping[str, float] = {
    "reference_load": 5.0,
    "stiffness": 5.0,
    "mass": 3.0,
    "bend_centre": 0.015,
    "anisotropy": 2.0,
    "bow": 0.010,
    "length": 0.005,
}
"""Shipped tolerances, ours and no standard's: percent of the median for the first three, then 1, percentage
points, m, m."""

UNITS: Mapping[str, str] = {
    "reference_load": "N",
    "stiffness": "N/m",
    "mass": "kg",
    "bend_centre": "1",
    "anisotropy": "pct_points",
    "bow": "m",
    "length": "m",
    "even_blank_rigidity": "N·m²",
    "initial_stiffness": "N/m",
    "hysteresis": "pct_points",
}
"""Unit of the values of each known property. Some count only where the shop asks for them."""

PERCENT_OF_MEDIAN = frozenset(
    {"reference_load", "stiffness", "mass", "even_blank_rigidity", "initial_stiffness"}
)
"""Properties whose spread and tolerance are in percent of the batch's median."""

_SUFFIXES = frozenset({"m", "mm", "cm", "in", "g", "kg", "oz", "N", "deg", "pct"})


def words(name: str) -> str:
    """Write a property's name as a builder says it.

    Examples
    --------
    >>> words("reference_load"), words("tip_diameter_m")
    ('reference load', 'tip diameter')
    """
    stem, _, unit = name.rpartition("_")
    own = name not in UNITS and stem and unit in _SUFFIXES
    return (stem if own else name).replace("_", " ")


def unit_of(name: str) -> str:
    """Give the unit of a property's values; empty for a bare number of the shop.

    Examples
    --------
    >>> unit_of("bow"), unit_of("wall_mm"), unit_of("pieces")
    ('m', 'mm', '')
    """
    if name in UNITS:
        return UNITS[name]
    stem, _, unit = name.rpartition("_")
    return unit if stem and unit in _SUFFIXES else ""


def tolerance_unit_of(name: str) -> str:
    """Give the unit of a property's spread and tolerance."""
    return "pct_of_median" if name in PERCENT_OF_MEDIAN else unit_of(name)
