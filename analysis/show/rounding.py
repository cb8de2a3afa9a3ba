"""A value with its half-width, rounded for display, for tables, figures and the page.

The 95 % half-width is rounded to two significant figures and the value to the same place
(Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008, 7.2.6, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.angles import wrap
from analysis.estimate import Estimate
from analysis.units import System, display

CANNOT_TELL: Final = "cannot tell"
"""What stands where there is no value."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A number ready to be shown, in pieces so that a column can carry the unit in its head."""

    number: str
    """The value, rounded; empty where it is not known."""
    half: str
    """The half-width; empty where it is not known."""
    unit: str
    """What stands behind both; empty for a bare number."""
    exact: bool = False
    """True where the half-width is zero: nothing is said about an error, so none is shown."""

    @property
    def known(self) -> bool:
        """False where there is no value."""
        return bool(self.number)

    @property
    def bare(self) -> str:
        """Value and half-width without the unit."""
        if not self.known:
            return CANNOT_TELL
        return f"{self.number} ± {self.half}" if self.half else self.number

    @property
    def text(self) -> str:
        """Value, half-width and unit; degrees stand with each number."""
        if not self.known:
            return CANNOT_TELL
        if self.unit == "°":
            return f"{self.number}° ± {self.half}°" if self.half else f"{self.number}°"
        return f"{self.bare} {self.unit}".rstrip()

    @property
    def note(self) -> str:
        """Why there is no half-width, or empty."""
        return "" if self.half or self.exact or not self.known else "half-width not known"


_FINER: Final = 2
"""Digits beyond the usual ones below which no half-width is shown."""
UNKNOWN: Final = Shown("", "", "")
"""No value at all."""


def round_pair(value: float, ci95: float, decimals: int = 3, period: float | None = None) -> tuple[str, str]:
    """Round a half-width to two significant figures and the value to the same place.

    Parameters
    ----------
    value : float
        Finite.
    ci95 : float
        Half-width in the same unit; nan or infinite where it is not known.
    decimals : int
        Digits after the point where no half-width (or one of zero) decides.
    period : float, optional
        Where the value is an angle: a value that rounds up to the period is shown as 0.

    Returns
    -------
    value, half : str
        `half` is empty where it is not known, or zero.

    Examples
    --------
    >>> round_pair(4.52169, 0.02041)
    ('4.522', '0.020')
    >>> round_pair(1234.0, 119.6)
    ('1230', '120')
    >>> round_pair(359.998, 0.52, period=360.0)
    ('0.00', '0.52')
    """
    known = math.isfinite(ci95) and ci95 > 0.0
    places = decimals
    if known:
        leading = math.floor(math.log10(float(f"{ci95:.1e}")))
        places = min(1 - leading, 12)
    number = round(value, places)
    if period is not None and number >= period:
        number -= period
    number += 0.0  # no minus before a zero
    shown = max(places, 0)
    return f"{number:.{shown}f}", f"{round(ci95, places):.{shown}f}" if known else ""


def show(
    estimate: Estimate | None,
    unit: str = "",
    *,
    per_si: float = 1.0,
    decimals: int = 3,
    period: float | None = None,
) -> Shown:
    """Round an estimate for display; `period` (in shown units) where it is an angle.

    Readings without noise have half-widths far below any rig's errors; they are shown as two digits finer
    than `decimals`, which is still no less than they are.
    """
    if estimate is None or not math.isfinite(estimate.value):
        return UNKNOWN
    value, ci95 = estimate.value * per_si, estimate.ci95 * abs(per_si)
    if 0.0 < ci95 < 10.0 ** -(decimals + _FINER):
        ci95 = 10.0 ** -(decimals + _FINER)
    if period is not None:
        value = wrap(value, period)
    return Shown(*round_pair(value, ci95, decimals, period), unit, exact=ci95 == 0.0)


def show_quantity(estimate: Estimate | None, quantity: str, units: System = "metric") -> Shown:
    """Show a quantity that `analysis.units` knows, in the builder's units."""
    how = display(quantity, units)
    return show(estimate, how.symbol, per_si=how.per_si, decimals=how.decimals)


def show_direction(estimate: Estimate | None) -> Shown:
    """Show a blank angle in degrees, [0, 360)."""
    return show(estimate, "°", per_si=math.degrees(1.0), decimals=1, period=360.0)


def show_plane(estimate: Estimate | None, offset: float = 0.0) -> Shown:
    """Show a plane in degrees, [0, 180); `offset` in rad turns the stiff plane into the soft one (π/2)."""
    if estimate is None:
        return UNKNOWN
    turned = Estimate(estimate.value + offset, estimate.noise, estimate.dof, estimate.shares)
    return show(turned, "°", per_si=math.degrees(1.0), decimals=1, period=180.0)


def show_percent(estimate: Estimate | None) -> Shown:
    """Show a fraction in percent."""
    return show(estimate, "%", per_si=100.0, decimals=1)


def plain_quantity(si: float, quantity: str, units: System = "metric") -> str:
    """Show a number that carries no half-width, with its unit.

    Examples
    --------
    >>> plain_quantity(0.45, "small length")
    '450 mm'
    """
    how = display(quantity, units)
    number = f"{how.number(si):.{how.decimals}f}"
    if "." in number:
        number = number.rstrip("0").rstrip(".")
    return f"{number} {how.symbol}"
