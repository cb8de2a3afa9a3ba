"""What a fit takes: the readings of one run as arrays, in SI and radians, with what was known of the rig.

Nothing here knows where readings come from. A missing reading is ``nan``; a fit leaves it out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.errors import ReadingsError

Floats = NDArray[np.float64]
"""One-dimensional array of floats."""
Contact = Literal["held", "free"]
"""Whether the tip is held sideways by the rig or free to move sideways."""
Pull = Literal["down", "up", "sideways"]
"""Which way the rig pulls, for the blank's own weight."""


@dataclass(frozen=True, slots=True)
class RigErrors:
    """Systematic errors of the rig that a run states, as relative or absolute 95 % half-widths.

    ``None`` means that the run states nothing: no part enters and a note says so.
    """

    load_scale_ci95: float | None = None
    """Relative 95 % half-width of newtons per count."""
    travel_scale_ci95: float | None = None
    """Relative 95 % half-width of metres per count, or of the held travel."""
    free_length_ci95_m: float | None = None
    """95 % half-width of the free length, m."""
    angle_ci95_rad: float | None = None
    """95 % half-width of the index mark's place in the chuck, rad."""
    load_zero_ci95_N: float | None = None
    """95 % half-width of the load's zero, N."""
    friction_N: float | None = None
    """Friction of the rig's roll (half of the jump between the directions), N, learnt from a two-way run."""

    @property
    def states_calibration(self) -> bool:
        """True if the run says how sure its load scale is."""
        return self.load_scale_ci95 is not None


@dataclass(frozen=True, slots=True)
class Steps:
    """Smallest steps that readings by hand are taken to: what a ruler, a scale and a protractor can do."""

    ruler_m: float = 1e-3
    """Of a travel, m: a ruler in millimetres."""
    scale_N: float = 0.049
    """Of a load, N: a scale or weights good to 5 g."""
    protractor_rad: float = math.radians(1.0)
    """Of an angle, rad."""


@dataclass(frozen=True, slots=True)
class RollReadings:
    """One roll run.

    Exactly one of `held_travel_m` and `held_load_N` is given. With a held travel the load is read; with a
    held (hanging) load the travel is read.
    """

    time_s: Floats
    """Time of each reading, s, shape (n,)."""
    roll: Floats
    """Blank angle that faces the pull, rad, wrapped or not, shape (n,)."""
    load_N: Floats | None
    """Load along the pull, N, shape (n,); not used with a hanging weight."""
    travel_m: Floats | None
    """Travel of each reading, m, shape (n,): read with a hanging weight, else where the rig reports it."""
    held_travel_m: float | None
    """Travel at which the tip is held, m; `travel_m`, where given, overrides it reading by reading."""
    held_load_N: float | None
    """Hanging weight, N."""
    free_length_m: float
    """From the chuck's face to the tip, m."""
    contact: Contact = "held"
    """Tip held or free sideways. A hanging weight is free."""
    mount: float = 0.0
    """Blank angle that faces the pull when the chuck reads 0, rad."""
    rig: RigErrors = field(default_factory=RigErrors)
    """What the run states about the rig's errors."""
    blank: str = ""
    """Name of the blank, for messages."""
    at_rest: bool = False
    """True if the run says that every reading was taken while nothing moved."""
    steps: Steps = field(default_factory=Steps)
    """What readings by hand are read to."""


@dataclass(frozen=True, slots=True)
class Guide:
    """A string that pulls the loaded point toward a fixed guide, as on a winch.

    The load is then the string's tension and the travel the length of string that was taken in. Places are
    counted from the chuck's face: x along the chuck's axis, y along the pull.
    """

    x_m: float
    """Place of the guide along the axis, m."""
    y_m: float
    """Place of the guide along the pull, m."""
    place_ci95_m: float = 0.0
    """95 % half-width of either, m."""


@dataclass(frozen=True, slots=True)
class Arm:
    """A swing arm whose roller pushes the blank and slides along it without friction.

    The load is then the roller's force square to the arm, and the travel the roller's way along its circle
    from where it touches the straight blank. Places as in `Guide`.
    """

    pivot_x_m: float
    """Place of the pivot along the chuck's axis, m."""
    pivot_y_m: float
    """Place of the pivot along the pull, m."""
    arm_m: float
    """From the pivot to the roller's centre, m."""
    roller_m: float = 0.0
    """Radius of the roller, half of the blank's diameter there included, m."""
    outward: bool = True
    """True if the arm points from the pivot away from the chuck."""
    place_ci95_m: float = 0.0
    """95 % half-width of either of the pivot's places, m."""
    arm_ci95_m: float = 0.0
    """95 % half-width of the arm's length, m."""


@dataclass(frozen=True, slots=True)
class FlexReadings:
    """One flex run: load and travel, and the tip's slope where the rig can read it."""

    time_s: Floats
    """Time of each reading, s, shape (n,)."""
    load_N: Floats
    """Load along the pull, N, shape (n,)."""
    travel_m: Floats
    """Travel of the loaded point along the pull, m, shape (n,)."""
    tip: Floats | None
    """Slope of the tip against the chuck's axis, rad, positive toward the pull, shape (n,)."""
    free_length_m: float
    """From the chuck's face to the tip, m."""
    station_m: float | None = None
    """Where the load acts, m from the chuck's face; None is the tip."""
    roll: float | None = None
    """Blank angle that faced the pull, rad."""
    pull: Pull | None = None
    """Which way the rig pulled."""
    mass_kg: float | None = None
    """Mass of the whole blank, kg."""
    length_m: float | None = None
    """Length of the whole blank, m."""
    load_after_N: float | None = None
    """What the load reads with the tip free after the run, N."""
    rig: RigErrors = field(default_factory=RigErrors)
    """What the run states about the rig's errors."""
    blank: str = ""
    """Name of the blank, for messages."""
    pulled_by: Guide | Arm | None = None
    """What turns the pull while the blank bends; None: the load stays along the pull."""
    clip_kg: float = 0.0
    """Mass of what rides on the tip, such as a slope sensor's clip, kg."""
    at_rest: bool = False
    """True if the run says that every reading was taken while nothing moved."""
    steps: Steps = field(default_factory=Steps)
    """What readings by hand are read to."""


_LARGEST = {"N": 1e6, "m": 1e4, "rad": 1e7, "s": 1e20}
"""No bench reads more: beyond it lies a broken cell, and squares that leave the range of floats."""
_SMALLEST = {"N": 1e-6, "m": 1e-6}
"""A run whose largest reading is below this is in another unit, or of no blank."""


def refuse_unbelievable(values: Floats, what: str, unit: Literal["N", "m", "rad", "s"]) -> None:
    """Refuse readings of a size that no bench has.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Readings; nan is passed over.
    what : str
        What was read, for the message.
    unit : {"N", "m", "rad", "s"}
        Their unit.

    Raises
    ------
    ReadingsError
        With the row of the first reading that is too large, or of the largest where all are too small.
    """
    if values.size:
        low, high = float(values.min()), float(values.max())
        if -_LARGEST[unit] <= low and _SMALLEST.get(unit, 0.0) <= high <= _LARGEST[unit]:
            return  # no reading is missing, and none is beyond belief
    size = np.abs(values)
    beyond = np.flatnonzero(size > _LARGEST[unit])
    if beyond.size:
        row = int(beyond[0])
        factor, shown = (math.degrees(1.0), "°") if unit == "rad" else (1.0, f" {unit}")
        raise ReadingsError(
            f"the {what} of {float(values[row]) * factor:.3g}{shown} is more than any bench reads",
            "correct the cell, or leave it empty for a missing reading",
            row=row,
        )
    if unit in _SMALLEST and np.isfinite(size).any():
        row = int(np.nanargmax(size))
        if 0.0 < size[row] < _SMALLEST[unit]:
            raise ReadingsError(
                f"the {what} never passes {float(size[row]):.2g} {unit}",
                f"check its unit: it is given in {unit}",
                row=row,
            )
