"""Systematic parts of a roll result: what no number of readings averages away.

The sizes for bow and large bends were computed with a three-dimensional rod (bending, torsion, natural
curvature) over tapers, bows and travels up to a quarter of the length; they grow as the travel squared.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.angles import difference
from analysis.estimate import Estimate, Share
from analysis.readings import RollReadings
from analysis.roll.lag import UNLEARNT, rates, readings_a_second
from analysis.roll.sift import Sifted
from analysis.roll.tensor import Blank, Matrix, barrier_factors

DEFAULT_FRICTION_N = 0.02
"""Friction taken for a run in one direction on a rig that never learnt its own (ours, no source)."""
_REFERENCE = 0.25
"""Travel over length at which the sizes below hold."""
_BOW_SIZE = 0.23
"""A bow's shape alone changes its size as read by −23 to +6 %."""
_BOW_SIZE_LEAST = 0.04
"""The same at a tenth of the length and below."""
_BOW_DIRECTION = math.radians(0.9)
"""A bow that does not lie in one plane (60° turn from butt to tip) moves its direction as read by so much."""
_SNAP = math.radians(0.5)
"""Minima of the linear energy against those of the full one, where firm."""
_STIFFENING = 0.19
"""Largest stiffness at the reference bend over that at small travel, less one: without knowing it, barriers
are 3 to 11 % high."""
_BARRIER_LEAST = 0.02
"""What stays of it with the correction, and at small travels."""
_BARRIER_PARTS = 0.005
"""The same for the planes' and the bow's part of a barrier each: where they nearly cancel, it counts."""
BOW_STIFFENING = 1.5
"""λ in the stiffening k·λ·(u0/L)² along the bow: 0.3 to 3 for most shapes."""


@dataclass(frozen=True, slots=True)
class Systematics:
    """Relative and absolute 95 % half-widths that enter a roll result."""

    load: float
    """Relative, of the load."""
    travel: float
    """Relative, of the travel."""
    zero_N: float
    """Of the load's zero, N."""
    friction_N: float
    """Of a run in one direction, N; 0 where both directions were rolled."""
    index: float
    """Of the index mark's place in the chuck, rad."""
    bend: float
    """(travel / length)² over that at a quarter of the length."""
    bow_ratio: float
    """(bow / free length)²."""
    lag: float = 0.0
    """Of the angle from a lag that one direction cannot show, rad."""

    @classmethod
    def of(
        cls,
        readings: RollReadings,
        blank: Blank,
        travel: float,
        sifted: Sifted,
        *,
        index_in_scatter: bool = False,
    ) -> Systematics:
        """From what the run states and what was fitted; the index mark may stand in the scatter already."""
        rig = readings.rig
        friction = 0.0
        if not sifted.two_way:
            friction = DEFAULT_FRICTION_N if rig.friction_N is None else abs(rig.friction_N)
        return cls(
            load=rig.load_scale_ci95 or 0.0,
            travel=rig.travel_scale_ci95 or 0.0,
            zero_N=rig.load_zero_ci95_N or 0.0,
            friction_N=friction,
            index=math.hypot(
                rig.angle_ci95_rad or 0.0, 0.0 if index_in_scatter else rig.index_ci95_rad or 0.0
            ),
            bend=(travel / readings.free_length_m / _REFERENCE) ** 2,
            bow_ratio=(math.hypot(*blank.bow) / readings.free_length_m) ** 2,
            lag=_lag_angle(readings, sifted),
        )

    def angle(self) -> tuple[Share, ...]:
        """Of every blank angle."""
        return (Share("index mark", self.index), Share("lag", self.lag))

    def stiff_plane(self, anisotropy: float) -> tuple[Share, ...]:
        """Of the stiff plane: the bow's own stiffening may have turned it."""
        turned = 0.5 * math.atan2(BOW_STIFFENING * self.bow_ratio, 0.5 * anisotropy)
        return (Share("bow", turned), *self.angle())

    def anisotropy(self, anisotropy: float, mean_load: float) -> tuple[Share, ...]:
        """Of the anisotropy, as a fraction."""
        return (
            Share("bow", 2.0 * BOW_STIFFENING * self.bow_ratio),
            Share("friction", anisotropy * self.friction_N / mean_load),
            Share("load zero", anisotropy * self.zero_N / mean_load),
        )

    def stiffness(self, stiffness: float, travel: float) -> tuple[Share, ...]:
        """Of the mean stiffness, N/m."""
        return (
            Share("load scale", stiffness * self.load, shared=True),
            Share("travel scale", stiffness * self.travel, shared=True),
            Share("friction", self.friction_N / travel, shared=True),
            Share("load zero", self.zero_N / travel),
        )

    def bow(self, bow: float, mean_load: float) -> tuple[Share, ...]:
        """Of the bow's size, m."""
        return (
            Share("bow shape", bow * max(_BOW_SIZE_LEAST, _BOW_SIZE * self.bend)),
            Share("travel scale", bow * self.travel, shared=True),
            Share("friction", bow * self.friction_N / mean_load),
            Share("load zero", bow * self.zero_N / mean_load),
        )

    def bow_direction(self) -> tuple[Share, ...]:
        """Of the bow's direction."""
        return (Share("bow shape", _BOW_DIRECTION * self.bend), *self.angle())

    def snap(self, softness: float) -> tuple[Share, ...]:
        """Of a snap position; `softness` is the angle it moves for a relative change 1 of the bow's part."""
        planes, bow = self.stiffening()
        return (Share("large bend", math.hypot(self.bend * _SNAP, (bow - planes) * softness)), *self.angle())

    def stiffening(self) -> tuple[float, float]:
        """How much too large the planes' and the bow's part of the energy may be, relative."""
        planes, bow = barrier_factors(1.0 + _STIFFENING * self.bend, 1.0)
        return 1.0 - planes, 1.0 - bow

    def barrier(
        self, planes_part: float, bow_part: float, stiffness: float, initial: Estimate | None
    ) -> tuple[Share, ...]:
        """Of a barrier, J, the sum of the planes' and the bow's part.

        It is corrected where the stiffness at small travel `initial` is known.
        """
        barrier = planes_part + bow_part
        bend = math.hypot(_BARRIER_LEAST * barrier, _BARRIER_PARTS * math.hypot(planes_part, bow_part))
        flex = 0.0
        if initial is None:
            too_large = self.stiffening()
            bend = math.hypot(bend, too_large[0] * planes_part + too_large[1] * bow_part)
        else:
            before = barrier_factors(stiffness, initial.value)
            after = barrier_factors(stiffness, initial.value + initial.ci95)
            flex = planes_part * (after[0] / before[0] - 1.0) + bow_part * (after[1] / before[1] - 1.0)
        return (
            Share("large bend", bend),
            Share("flex run", abs(flex)),
            Share("load scale", barrier * self.load, shared=True),
            Share("travel scale", barrier * self.travel, shared=True),
        )

    @property
    def bow_alone(self) -> float:
        """Anisotropy (fraction) below which a bow of this size may explain all of it."""
        return 6.0 * self.bow_ratio


def _lag_angle(readings: RollReadings, sifted: Sifted) -> float:
    """95 % half-width of every angle from the lag of a run in one direction, rad."""
    if sifted.two_way or readings.at_rest or sifted.time.size < 2 or not float(sifted.time[-1]) > 0.0:
        return 0.0
    rate = float(np.mean(np.abs(rates(sifted.time, sifted.roll))))
    if readings.rig.lag_s is not None:
        return readings.rig.lag_ci95_s * rate
    every = readings.rig.readings_hz or readings_a_second(sifted)
    return UNLEARNT / every * rate if every > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something the model leaves out, as shifts of the blank's five numbers."""

    cause: str
    """``harmonics`` or ``drift``."""
    shifts: Matrix
    """95 % shifts, independent of each other, shape (m, 5)."""

    def shifted(self, blank: Blank) -> list[Blank]:
        """Give the blank as it would be with each shift."""
        return [Blank.of(numbers) for numbers in blank.numbers + self.shifts]

    def moves(
        self,
        quantity: Callable[[Blank], float],
        blank: Blank,
        shifted: Sequence[Blank],
        period: float = math.inf,
    ) -> Share:
        """Find by how much a quantity (an angle of this period) moves with the shifts."""
        here = quantity(blank)
        moves = [quantity(other) - here for other in shifted]
        if math.isfinite(period):
            moves = [difference(move, 0.0, period) for move in moves]
        return Share(self.cause, math.hypot(*moves))
