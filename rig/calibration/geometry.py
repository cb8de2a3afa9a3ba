"""How the turn of a drum or of a swing arm becomes travel along the pull, and back, exactly.

A rig that reads an angle says here what turns: a drum that takes in a string, or an arm with a roller.
Travel is then the string taken in, or the roller's way along its circle: what the load does its work along.
Where the string runs to a guide, or the arm's circle leaves the pull, the direction of the load turns as the
blank bends; `pulled_by` hands that on to the fit.

Places are counted from the middle of the chuck's face: x along the chuck's axis toward the tip, y along the
pull.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, asdict, dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from analysis.readings import Arm, Floats, Guide
from rig.errors import ReadingsError

_TURN = 2.0 * math.pi


@dataclass(frozen=True, slots=True)
class Winch:
    """A drum that takes in a string.

    Turns lie side by side; where the drum is as wide as so many turns, the next ones lie on top of them, one
    string's thickness further out. The slant from turn to turn lengthens the string by less than 1e-4 where
    it is thinner than a tenth of the drum's radius, and is left out.
    """

    drum_radius_m: float
    """Radius of the bare drum, m."""
    string_m: float = 0.0
    """Thickness of the string, m."""
    drum_width_m: float | None = None
    """Width for string on the drum, m; None: as wide as the run needs, so that one layer holds it all."""
    turns_on_drum: float = 0.0
    """Turns on the drum already where the tip is free."""
    drum_ci95_m: float = 0.0
    """95 % half-width of the radius, m."""
    guide_x_m: float | None = None
    """Place of the guide along the axis, m; None with y: the string stays along the pull."""
    guide_y_m: float | None = None
    """Place of the guide along the pull, m."""
    place_ci95_m: float = 0.0
    """95 % half-width of either place, m."""

    def __post_init__(self) -> None:
        if (self.guide_x_m is None) != (self.guide_y_m is None):
            raise ValueError("the guide needs both guide_x_m and guide_y_m")
        if self.drum_width_m is not None and not self.drum_width_m >= self.string_m > 0.0:
            raise ValueError("drum_width_m needs string_m, and is no narrower than the string")

    def travel(self, turn: ArrayLike) -> Floats:
        """String taken in since the tip was free, m, for the drum's turn since then, rad."""
        turns = np.asarray(turn, dtype=float) / _TURN + self.turns_on_drum
        return np.asarray(self._wound(turns) - self._wound(np.array(self.turns_on_drum)))

    def turn(self, travel_m: ArrayLike) -> Floats:
        """Turn of the drum, rad, that takes in a length of string, m: the inverse of `travel`.

        Raises
        ------
        ReadingsError
            If more string would have to be let out than lies on the drum.
        """
        travel = np.asarray(travel_m, dtype=float)
        wound = travel + float(self._wound(np.array(self.turns_on_drum)))
        if np.any(wound < -0.5 * self.drum_radius_m):
            raise ReadingsError(
                f"the drum cannot let out {-1e3 * float(travel.min()):.0f} mm of string",
                "say in the settings how many turns are on the drum with the tip free",
            )
        radius, layer = self.drum_radius_m + 0.5 * self.string_m, np.zeros_like(wound)
        if self.drum_width_m is not None:
            full = _TURN * self._in_layer  # turns·2π of a full layer
            root = np.sqrt(self.drum_radius_m**2 + 2.0 * self.string_m * np.maximum(wound, 0.0) / full)
            layer = np.floor((root - self.drum_radius_m) / self.string_m + 1e-12)
            wound = wound - full * layer * (self.drum_radius_m + 0.5 * self.string_m * layer)
            turns = layer * self._in_layer + wound / (_TURN * (radius + layer * self.string_m))
        else:
            turns = wound / (_TURN * radius)
        return np.asarray((turns - self.turns_on_drum) * _TURN)

    @property
    def scale_ci95(self) -> float:
        """Relative 95 % half-width of the travel from the drum's radius."""
        return self.drum_ci95_m / (self.drum_radius_m + 0.5 * self.string_m)

    @property
    def pulled_by(self) -> Guide | None:
        """What turns the pull, for a fit; None: nothing."""
        if self.guide_x_m is None or self.guide_y_m is None:
            return None
        return Guide(self.guide_x_m, self.guide_y_m, self.place_ci95_m)

    def calibrated(self, turn: float, travel_m: float) -> Winch:
        """Same winch with the radius that makes `turn`, rad, take in `travel_m`, m.

        Raises
        ------
        ReadingsError
            If no radius between a hundredth and a hundred times the stated one does.
        """
        from scipy.optimize import brentq

        def miss(log_size: float) -> float:
            other = replace(self, drum_radius_m=self.drum_radius_m * math.exp(log_size))
            return float(other.travel(turn)) - travel_m

        if not miss(-math.log(100.0)) < 0.0 < miss(math.log(100.0)):
            raise ReadingsError(
                f"no drum takes in {1e3 * travel_m:.0f} mm of string over {turn / _TURN:.2f} turns",
                "check the distance, and the counts a turn in the settings",
            )
        size = math.exp(brentq(miss, -math.log(100.0), math.log(100.0), xtol=1e-15))
        return replace(self, drum_radius_m=self.drum_radius_m * size)

    @property
    def _in_layer(self) -> int:
        return int((self.drum_width_m or 0.0) / self.string_m + 1e-9)

    def _wound(self, turns: Floats) -> Floats:
        """String on the drum after so many turns from the bare drum, m."""
        radius = self.drum_radius_m + 0.5 * self.string_m
        if self.drum_width_m is None:
            return np.asarray(_TURN * radius * turns)
        layer = np.maximum(np.floor(turns / self._in_layer), 0.0)
        below = self._in_layer * layer * (self.drum_radius_m + 0.5 * self.string_m * layer)
        return np.asarray(
            _TURN * (below + (turns - layer * self._in_layer) * (radius + layer * self.string_m))
        )


@dataclass(frozen=True, slots=True)
class SwingArm:
    """An arm that swings about a pivot and pushes the blank with a roller near the tip."""

    arm_m: float
    """From the pivot to the roller's centre, m."""
    pivot_x_m: float
    """Place of the pivot along the axis, m."""
    pivot_y_m: float
    """Place of the pivot along the pull, m; below zero where it lies on the far side from the pull."""
    roller_m: float = 0.0
    """Radius of the roller, half of the blank's diameter there included, m."""
    points: str = "outward"
    """"outward" where the arm points from its pivot away from the chuck, else "inward"."""
    arm_ci95_m: float = 0.0
    """95 % half-width of the arm's length, m."""
    place_ci95_m: float = 0.0
    """95 % half-width of either of the pivot's places, m."""

    def __post_init__(self) -> None:
        if self.points not in ("outward", "inward"):
            raise ValueError('points is "outward" or "inward"')
        if not abs(self.pivot_y_m + self.roller_m) < self.arm_m:
            raise ValueError("the arm is too short to reach the blank from its pivot")

    @property
    def touch(self) -> float:
        """Angle of the arm against the axis where the roller touches the straight blank, rad, up positive."""
        return math.asin(-(self.pivot_y_m + self.roller_m) / self.arm_m)

    @property
    def touch_x_m(self) -> float:
        """Place along the axis where it does, m."""
        way = self.arm_m * math.cos(self.touch)
        return self.pivot_x_m + (way if self.points == "outward" else -way)

    def travel(self, turn: ArrayLike) -> Floats:
        """Way of the roller along its circle, m, for the arm's turn since it touched the blank, rad."""
        return np.asarray(self.arm_m * np.asarray(turn, dtype=float))

    def turn(self, travel_m: ArrayLike) -> Floats:
        """Turn of the arm, rad, that moves the roller so far along its circle, m.

        Raises
        ------
        ReadingsError
            If the arm would stand upright.
        """
        turn = np.asarray(travel_m, dtype=float) / self.arm_m
        if np.any(turn + self.touch >= 0.5 * math.pi):
            raise ReadingsError(
                f"the arm stands upright before it has moved {1e3 * float(np.max(travel_m)):.0f} mm",
                "check the arm's length and pivot in the settings, or bend less",
            )
        return turn

    def rise(self, turn: ArrayLike) -> Floats:
        """How far the roller has moved along the pull, m, for the arm's turn, rad."""
        angle = self.touch + np.asarray(turn, dtype=float)
        return np.asarray(self.arm_m * (np.sin(angle) - math.sin(self.touch)))

    def turn_of_rise(self, rise_m: ArrayLike) -> Floats:
        """Turn of the arm, rad, that moves the roller so far along the pull, m: the inverse of `rise`.

        Raises
        ------
        ReadingsError
            If the arm is too short for it.
        """
        sine = np.asarray(rise_m, dtype=float) / self.arm_m + math.sin(self.touch)
        if np.any(np.abs(sine) > 1.0):
            raise ReadingsError(
                f"an arm of {1e3 * self.arm_m:.0f} mm does not reach {1e3 * float(np.max(rise_m)):.0f} mm up",
                "check the arm's length and pivot in the settings",
            )
        return np.asarray(np.arcsin(sine) - self.touch)

    @property
    def scale_ci95(self) -> float:
        """No part of its own: the arm's length enters with what it does to the pull."""
        return 0.0

    @property
    def pulled_by(self) -> Arm:
        """What turns the pull, for a fit."""
        return Arm(
            self.pivot_x_m,
            self.pivot_y_m,
            self.arm_m,
            self.roller_m,
            self.points == "outward",
            self.place_ci95_m,
            self.arm_ci95_m,
        )

    def calibrated(self, turn: float, travel_m: float) -> SwingArm:
        """Same arm with the length that makes `turn`, rad, raise the roller by `travel_m`, m.

        Raises
        ------
        ReadingsError
            If no length between half and twice the stated one does.
        """
        least = max(0.5 * self.arm_m, 1.001 * abs(self.pivot_y_m + self.roller_m))

        from scipy.optimize import brentq

        def miss(arm: float) -> float:
            return float(replace(self, arm_m=arm).rise(turn)) - travel_m

        if not miss(least) < 0.0 < miss(2.0 * self.arm_m):
            raise ReadingsError(
                f"no arm like the one in the settings rises {1e3 * travel_m:.0f} mm over "
                f"{math.degrees(turn):.1f}°",
                "check the distance, the arm's length and its pivot",
            )
        return replace(self, arm_m=float(brentq(miss, least, 2.0 * self.arm_m, xtol=1e-14)))


Geometry = Winch | SwingArm
KINDS: dict[str, type[Winch] | type[SwingArm]] = {"winch": Winch, "arm": SwingArm}
"""Word in settings and headers → what turns."""


def to_table(geometry: Geometry) -> dict[str, Any]:
    """Give the table that `from_table` reads."""
    kind = next(name for name, made in KINDS.items() if isinstance(geometry, made))
    return {"kind": kind} | {key: value for key, value in asdict(geometry).items() if value is not None}


def from_table(table: Mapping[str, Any], fault: Callable[[str, str, str], Exception]) -> Geometry:
    """Read a geometry.

    Parameters
    ----------
    table : mapping
        Key ``kind`` ("winch" or "arm") and that class's fields.
    fault : callable
        Makes the error from a key, what is wrong and what to do.

    Raises
    ------
    Exception
        What `fault` makes.
    """
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        raise fault("kind", 'kind must be "winch" or "arm"', "say what turns")
    made = KINDS[kind]
    names = [entry.name for entry in fields(made)]
    given: dict[str, Any] = {}
    for key, value in table.items():
        if key == "kind":
            continue
        if key not in names:
            close = difflib.get_close_matches(key, names, 1)
            advice = f"did you mean {close[0]}?" if close else f"those there are: {', '.join(names)}"
            raise fault(key, f"'{key}' is no measure of a rig of kind {kind}", advice)
        if key != "points":
            number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
            place = key in ("guide_x_m", "guide_y_m", "pivot_x_m", "pivot_y_m")
            above = key in ("drum_radius_m", "arm_m", "drum_width_m")
            if not number or (not place and value < 0.0) or (above and not value > 0.0):
                words = "a number" if place else f"a number{' above zero' if above else ', zero or more'}"
                raise fault(key, f"{key} must be {words}", "give it in metres")
            value = float(value)
        given[key] = value
    for entry in fields(made):
        if entry.default is MISSING and entry.name not in given:
            raise fault(entry.name, f"a rig of kind {kind} needs {entry.name}", "add it")
    try:
        return made(**given)
    except ValueError as error:
        raise fault("kind", str(error), "correct the measures") from None
