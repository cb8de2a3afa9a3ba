"""What a flex fit says: power, action, rigidity along the blank, with uncertainty. SI and radians."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis.bend.profile import Profile
from analysis.estimate import Estimate
from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class ClassCall:
    """The most probable class and how probable each class is."""

    name: str
    """Most probable class, a trade word."""
    probabilities: tuple[tuple[str, float], ...]
    """Each class with its probability, softest or slowest to strongest in the order of the bands."""

    def probability(self, name: str) -> float:
        """Probability of the class called `name` (0 for an unknown word)."""
        return dict(self.probabilities).get(name, 0.0)


@dataclass(frozen=True, slots=True)
class Station:
    """Flexural rigidity at one place along the blank."""

    s_m: float
    """From the chuck's face, m."""
    from_tip_m: float
    """From the tip, m."""
    rigidity: Estimate
    """EI, N·m²; its half-width holds the error of the family of profiles itself."""


@dataclass(frozen=True, slots=True)
class Creep:
    """What creeps while the blank is held at the top."""

    of: Literal["load", "travel"]
    """What creeps: the load at held travel, or the travel at held load."""
    per_decade: Estimate
    """Part of it that goes each time the time grows tenfold: load that fades, travel that grows."""
    held_s: float
    """How long it was held, s."""


@dataclass(frozen=True, slots=True)
class Direct:
    """Power and action read from the readings without the model of the blank, beside the model's own."""

    load: Estimate | None
    """Load at the reference bend of the free length, N; None where the readings do not reach it."""
    load_by_model: Estimate
    """The model's at the free length, N."""
    small_centre: Estimate | None
    """Travel over slope at the smallest loads, over the length; None without the tip's slope."""
    small_centre_by_model: Estimate
    """The model's bend centre in the limit of small load."""

    @property
    def load_agrees(self) -> bool | None:
        """Whether the two loads lie within their half-widths; None where none was read."""
        return None if self.load is None else _agree(self.load, self.load_by_model)

    @property
    def small_centre_agrees(self) -> bool | None:
        """Whether the two bend centres lie within their half-widths; None where none was read."""
        return None if self.small_centre is None else _agree(self.small_centre, self.small_centre_by_model)


def _agree(one: Estimate, other: Estimate) -> bool:
    """Noise alone decides: what calibration does to one it does to the other."""
    return abs(one.value - other.value) <= math.hypot(one.noise_ci95, other.noise_ci95)


@dataclass(frozen=True, slots=True)
class FlexCurve:
    """Arrays behind a figure: readings used and the fitted curve from no load to the largest."""

    load_N: Floats
    """Load of each reading used, zero taken off, N, shape (n,)."""
    travel_m: Floats
    """Travel of each reading used, m, shape (n,)."""
    tip: Floats | None
    """Tip slope of each reading used, rad, shape (n,)."""
    loading: Floats
    """1.0 where the blank was being loaded, −1.0 where unloaded, 0.0 where held, shape (n,)."""
    model_load_N: Floats
    """Loads of the fitted curve, N, shape (m,)."""
    model_travel_m: Floats
    """Travel of the fitted curve, m, shape (m,)."""
    shapes: tuple[tuple[float, Floats, Floats], ...]
    """Drawn to scale: (load N, x along the chuck's axis m, y along the pull m) for a few loads."""
    pull_turns: bool = False
    """True on a winch or swing arm that turns the pull: the reference load does not lie on this curve."""


@dataclass(frozen=True, slots=True)
class FlexResult:
    """Everything one flex run (or several of one blank together) tells about a blank."""

    free_length_m: float
    """Free length of the run, m."""
    rated_length_m: float
    """Length at which power and action are rated, m."""
    reference_load: Estimate | None
    """Load at travel = rated length/4, mean of loading and unloading, N; None: not reachable."""
    even_blank_rigidity: Estimate | None
    """Rigidity of the uniform blank of the same length and reference load, N·m²."""
    bend_centre: Estimate | None
    """∫θ ds/(L·θ_tip) at the reference bend."""
    initial_stiffness: Estimate | None
    """Load over travel in the limit of small travel, N/m."""
    hysteresis: Estimate | None
    """(loading − unloading)/mean load at the reference bend, as a fraction; None from one direction."""
    power_class: ClassCall | None
    """Power class by the bands given."""
    action_class: ClassCall | None
    """Action class by the bands given."""
    label_power_probability: float | None
    """Probability that the label's power word is true; None without a claim."""
    label_action_probability: float | None
    """Probability that the label's action word is true; None without a claim."""
    rigidity: tuple[Station, ...]
    """EI at 11 or more stations from the chuck's face to the tip."""
    extrapolated: bool
    """True if the run stopped short of the reference bend."""
    curve: FlexCurve | None
    """For the figures; None where the caller did not ask."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""
    profile: Profile | None = None
    """Rigidity along the blank with its covariance, mean over the roll where that is known."""
    largest_load_N: float | None = None
    """Largest load at the tip that the blank was bent with, N; None where none acted there."""
    direct: Direct | None = None
    """Load and bend centre read without the model; None where no load acted at the tip."""
    set_after: Estimate | None = None
    """Travel left at no load after unloading, m; None where the run does not come back to no load."""
    creep: Creep | None = None
    """Creep while held; None where the run was not held."""
    hooks_m: tuple[float, ...] = ()
    """Where the load acted in each run that was fitted, m from the chuck's face."""
