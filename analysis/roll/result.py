"""What a roll fit says: planes, bow, snaps and the mark, each with its uncertainty. SI and radians."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.estimate import Estimate
from analysis.readings import Floats

Cause = Literal["bow", "stiffness", "both"]
"""What makes a snap position: the natural bow, the stiffness planes, or both."""
MarkRule = Literal["snap", "snap-back", "stiff", "soft"]
"""The shop's rule for the one angle that gets the tape."""
ThirdCause = Literal["hand", "rig", "section", "unknown"]
"""Whose three waves a turn: what did not repeat, what turned with the chuck, what turned with the blank."""


@dataclass(frozen=True, slots=True)
class Snap:
    """A place where a bent, freely rolling blank comes to rest."""

    angle: Estimate
    """Blank angle that faces the pull there, rad, [0, 2π)."""
    barrier: Estimate
    """Energy up to the lower of the two neighbouring crests (to the only crest for a single snap), J."""
    cause: Cause
    """What it is due to."""


@dataclass(frozen=True, slots=True)
class ThirdSnap:
    """A third place where a hand may feel a snap, which bow and stiffness do not make."""

    angles: tuple[float, ...]
    """Where the blank would rest with the three waves taken as its own, rad, [0, 2π), firmest first."""
    sure: bool
    """True if there are three however the three waves grow with the travel; False if only for some growth."""
    size: float
    """Three waves' part of the reading, N (m under a hanging weight)."""
    cause: ThirdCause
    """What makes it."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """Where a second snap has just vanished: no rest by the energy, but friction may hold the blank there."""

    angle: float
    """rad, [0, 2π)."""
    torque: float
    """Torque there over the greatest torque of the turn: friction of more than this holds the blank."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The blank angle that the shop puts tape on, or why there is none."""

    angle: Estimate | None
    """rad, [0, 2π); None where the rule cannot be met."""
    rule: MarkRule
    """The rule that was asked for."""
    tie: float | None
    """The other angle where two serve equally, rad; else None."""
    why: str
    """One plain sentence."""


@dataclass(frozen=True, slots=True)
class RollCurve:
    """Arrays behind a figure: the readings as fitted and the model over one turn."""

    roll: Floats
    """Blank angle of each reading used, rad, [0, 2π), shape (n,)."""
    reading: Floats
    """Reading (load in N, or travel in m for a hanging weight), drift and friction taken off, shape (n,)."""
    left_out: Floats
    """True (1.0) where the fit gave a reading almost no weight (a spike), shape (n,)."""
    grid: Floats
    """Blank angles over one turn, rad, shape (m,)."""
    model: Floats
    """The fitted reading on `grid`, shape (m,)."""
    model_ci95: Floats
    """Its 95 % half-width (noise part), shape (m,)."""
    energy: Floats
    """Bending energy on `grid`, J, least value 0, shape (m,)."""


@dataclass(frozen=True, slots=True)
class RollResult:
    """Everything one roll run (or several mounts together) tells about a blank."""

    travel_m: float
    """Travel of the run (mean travel under a hanging weight), m."""
    free_length_m: float
    """From the chuck's face to the tip, m."""
    plane_found: bool
    """True if the 2-per-turn part is larger than noise alone makes it one time in twenty."""
    plane_p_value: float
    """Probability that noise alone makes a 2-per-turn part as large; nan where it was not tested."""
    stiff_plane: Estimate | None
    """Stiff plane as measured at this travel, rad, [0, π); None where it cannot be told."""
    anisotropy: Estimate | None
    """(k_max − k_min)/k_mean of the 2-per-turn part, as a fraction (0.02 is 2 %)."""
    stiffness: Estimate | None
    """Mean stiffness over the roll, N/m."""
    bow: Estimate | None
    """Natural bow of the free tip, m."""
    bow_direction: Estimate | None
    """Blank angle toward which the free tip stands off, rad, [0, 2π)."""
    snaps: tuple[Snap, ...]
    """Snap positions, firmest first."""
    barrier_corrected: bool
    """True if a flex run or profile gave the stiffness at small travel and the barriers use it."""
    mark: Mark
    """The mark by the shop's rule."""
    coverage: float
    """Covered part of the turn, 0 to 1."""
    turns: float
    """Turns rolled in all, both directions added up."""
    harmonics: int
    """Highest number of waves per turn in the model, chosen by the data."""
    friction: Estimate | None
    """Half of the jump between the two directions in the reading's unit; None from one direction."""
    noise: float
    """Standard deviation of the readings about the model, in the reading's unit."""
    curve: RollCurve | None
    """For the figures; None where the caller did not ask."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""
    third_snap: ThirdSnap | None = None
    """A third snap that rig, hand or section may make; None where nothing shows one."""
    shelf: Shelf | None = None
    """Where a second snap has just vanished; None where there is no such place."""
    lag: Estimate | None = None
    """How long the load comes behind the angle, s, as fitted; None from one direction."""
    hanging: bool = False
    """True if a weight hung at the tip: readings, friction and noise are then travel in m, else load in N."""
