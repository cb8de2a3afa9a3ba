"""Display units. Inside, everything is SI; a table or a page asks here how to show it.

Conversions come from `scipy.constants`; ounce-force and gram-force, which it does not name, are
mass times standard gravity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from scipy import constants

System = Literal["metric", "imperial"]
"""The two sets of display units that ``--units`` offers."""

OUNCE_FORCE_N = constants.oz * constants.g
"""Newtons in one ounce-force."""
GRAM_FORCE_N = constants.gram * constants.g
"""Newtons in one gram-force."""


@dataclass(frozen=True, slots=True)
class Display:
    """How one kind of quantity is shown."""

    symbol: str
    """What stands behind the number."""
    per_si: float
    """Shown number = SI number × `per_si`."""
    decimals: int
    """Digits after the point where no half-width says otherwise."""

    def number(self, si: float) -> float:
        """The number to show for an SI value."""
        return si * self.per_si


_DISPLAYS: dict[System, dict[str, Display]] = {
    "metric": {
        "length": Display("m", 1.0, 3),
        "small length": Display("mm", 1e3, 1),
        "load": Display("N", 1.0, 3),
        "weight": Display("g", 1e3, 1),
        "stiffness": Display("N/m", 1.0, 3),
        "rigidity": Display("N·m²", 1.0, 3),
        "energy": Display("mJ", 1e3, 2),
    },
    "imperial": {
        "length": Display("in", 1.0 / constants.inch, 2),
        "small length": Display("in", 1.0 / constants.inch, 3),
        "load": Display("ozf", 1.0 / OUNCE_FORCE_N, 2),
        "weight": Display("oz", 1.0 / constants.oz, 3),
        "stiffness": Display("ozf/in", constants.inch / OUNCE_FORCE_N, 3),
        "rigidity": Display("lbf·in²", 1.0 / (constants.lbf * constants.inch**2), 0),
        "energy": Display("mJ", 1e3, 2),
    },
}


def display(quantity: str, system: System = "metric") -> Display:
    """How to show a quantity: ``length``, ``small length``, ``load``, ``weight`` (a mass, from kg),
    ``stiffness``, ``rigidity`` or ``energy``.

    Examples
    --------
    >>> round(display("load", "imperial").number(1.0), 4)
    3.5969
    """  # noqa: D205
    return _DISPLAYS[system][quantity]
