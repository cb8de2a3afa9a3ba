"""While rolling: the plane and the mark so far, at a cost a reading that does not grow with the run.

Sequential least squares: each reading updates estimate and covariance of eight numbers (the blank's five,
friction, straight and bent drift) by one rank-one step, O(harmonics²). The final word is
`analysis.roll.fit_roll` on the whole run; this one tells the hand when to stop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.angles import TURN, difference
from analysis.estimate import Estimate
from analysis.roll.answers import direction, snaps_of
from analysis.roll.mark import mark_of
from analysis.roll.result import Mark, MarkRule, Snap
from analysis.roll.scatter import Scatter
from analysis.roll.shares import Systematics
from analysis.roll.tensor import SIZE, Blank, from_compliance

_COLUMNS = SIZE + 3
"""The blank's numbers, friction, drift with time and with its square."""
_CELLS = 120
"""Cells of 3° in which the covered part of the turn is counted."""
_LEAST_ROLL = math.radians(120.0)
"""Part of the turn that was rolled below which nothing is told, as in `sift`."""
_DIFFUSE = 1e8
"""Variance before the first reading over the reading's squared size: nothing is known."""
_MINUTE = 60.0
"""Unit of time in the drift, s."""
_SETTLED = 40
"""Readings that are held back until their scatter is known well enough to tell a spike."""
_SPIKE = 6.0
"""Innovations beyond so many standard deviations are counted as spikes and left out."""
_MEDIAN_OF_NORMAL = 0.6745
"""Median of the absolute value of a standard normal number."""
_HYSTERESIS = math.radians(0.3)
"""Turning back by less than this is the sensor's jitter, not a reversal."""


@dataclass(frozen=True, slots=True)
class LiveState:
    """What the readings so far tell. Half-widths hold the noise alone."""

    readings: int
    """Readings taken in."""
    left_out: int
    """Spikes and missing readings among all that were offered."""
    coverage: float
    """Covered part of the turn, 0 to 1."""
    turns: float
    """Turns rolled in all."""
    stiff_plane: Estimate | None
    """Stiff plane so far, rad, [0, π); None while it cannot be told."""
    mark: Mark
    """The mark by the shop's rule so far."""
    snaps: tuple[Snap, ...]
    """Snap positions so far, firmest first."""
    stiffness: float
    """Mean stiffness so far, N/m; nan before 120° are rolled."""
    noise: float
    """Standard deviation of the readings about the model, in the reading's unit; nan while not known."""
    roll_needed: float
    """Roll still needed before anything is claimed, rad; 0 when 120° are covered."""
    enough: bool
    """True when the plane's and the mark's half-widths have reached the target."""


class LiveRoll:
    """Take readings one at a time and tell at any moment what they say.

    Parameters
    ----------
    held_travel_m : float or None
        Travel at which the tip is held; exactly one of this and `held_load_N` is given.
    held_load_N : float or None
        Hanging weight; the reading is then the travel.
    free_length_m : float
        From the chuck's face to the tip, m.
    mark_rule : {"snap", "snap-back", "stiff", "soft"}
        The shop's rule for the mark.
    target : float
        Half-width that is enough, rad (1° by default).

    Examples
    --------
    >>> live = LiveRoll(held_travel_m=0.45, free_length_m=1.8)
    >>> for step in range(720):
    ...     angle = math.radians(step)
    ...     live.add(angle, 1.8 * (1 + 0.01 * math.cos(2 * (angle - 0.5))) + 1e-4 * (-1) ** step, 0.01 * step)
    >>> state = live.state()
    >>> round(state.stiff_plane.value, 2), state.enough
    (0.5, True)
    """

    def __init__(
        self,
        *,
        free_length_m: float,
        held_travel_m: float | None = None,
        held_load_N: float | None = None,
        mark_rule: MarkRule = "snap",
        target: float = math.radians(1.0),
    ) -> None:
        if (held_travel_m is None) == (held_load_N is None):
            raise ValueError("give exactly one of held_travel_m and held_load_N")
        self._hanging = held_load_N is not None
        self._scale = float(held_travel_m or held_load_N or 0.0)
        if not self._scale > 0.0 or not free_length_m > 0.0:
            raise ValueError("travel, weight and length must be positive")
        self._length = free_length_m
        self._rule: MarkRule = mark_rule
        self._target = target
        self._values = np.zeros(_COLUMNS)
        self._spread = np.zeros((_COLUMNS, _COLUMNS))
        self._squares = 0.0
        self._products = 0.0
        self._last_innovation = 0.0
        self._count = 0
        self._left_out = 0
        self._in_a_row = 0
        self._settled = False
        self._held_back: list[tuple[float, float, float, float]] = []
        self._cells = np.zeros(_CELLS, dtype=bool)
        self._unwrapped = 0.0
        self._turning_point = 0.0
        self._sense = 0.0
        self._last_roll = math.nan
        self._path = 0.0
        self._start_s = 0.0

    def add(
        self,
        roll_rad: float,
        reading: float,
        time_s: float,
        travel_m: float | None = None,
    ) -> None:
        """Take in one reading: O(harmonics²).

        Parameters
        ----------
        roll_rad : float
            Blank angle that faces the pull, wrapped or not.
        reading : float
            Load in N, or travel in m under a hanging weight; nan is left out.
        time_s : float
            Seconds on any clock that does not jump.
        travel_m : float or None
            Travel of this reading, where the rig reports it.
        """
        if not (math.isfinite(roll_rad) and math.isfinite(reading) and math.isfinite(time_s)):
            self._left_out += 1
            return
        scale = self._scale if travel_m is None or not math.isfinite(travel_m) else travel_m
        if not self._settled:
            if not self._held_back:
                self._start_s = time_s
            self._held_back.append((roll_rad, reading, time_s, scale))
            if len(self._held_back) == _SETTLED:
                self._release()
            return
        self._update(roll_rad, reading, time_s, scale)

    def _release(self) -> None:
        """Take in the first readings, without those that stand off both their neighbours."""
        self._settled = True
        held = self._held_back
        self._held_back = []
        readings = np.array([item[1] for item in held])
        if readings.size == 0:
            self._settled = False
            return
        self._begin(float(np.median(np.abs(readings))))
        off = np.zeros(readings.size)
        if readings.size >= 12:
            off[1:-1] = np.abs(readings[1:-1] - 0.5 * (readings[:-2] + readings[2:]))
        usual = float(np.median(off)) / _MEDIAN_OF_NORMAL
        for item, away in zip(held, off, strict=True):
            if usual > 0.0 and away > _SPIKE * usual:
                self._left_out += 1
            else:
                self._update(*item)

    def _update(self, roll_rad: float, reading: float, time_s: float, scale: float) -> None:
        self._turn_to(roll_rad)
        row = self._row(roll_rad, scale, (time_s - self._start_s) / _MINUTE)
        gain = self._spread @ row
        variance = 1.0 + float(row @ gain)
        innovation = reading - float(row @ self._values)
        standard = innovation / math.sqrt(variance)
        if self._is_spike(standard):
            self._left_out += 1
            return
        self._values += gain * (innovation / variance)
        self._spread -= np.outer(gain, gain) / variance
        self._count += 1
        if self._count > _COLUMNS:
            self._squares += standard * standard
            self._products += standard * self._last_innovation
            self._last_innovation = standard

    def state(self) -> LiveState:
        """Tell what the readings so far say (O(harmonics³), for a screen's pace)."""
        if not self._settled:
            self._release()
        coverage = float(self._cells.mean())
        needed = max(0.0, _LEAST_ROLL - coverage * TURN)
        noise = self._noise()
        if needed > 0.0 or not math.isfinite(noise):
            return LiveState(
                readings=self._count,
                left_out=self._left_out,
                coverage=coverage,
                turns=self._path / TURN,
                stiff_plane=None,
                mark=Mark(None, self._rule, None, "No mark yet: less than 120° are rolled."),
                snaps=(),
                stiffness=math.nan,
                noise=noise,
                roll_needed=needed,
                enough=False,
            )
        numbers = self._values[:SIZE]
        spread = self._spread[:SIZE, :SIZE] * noise**2 * self._memory()
        travel = self._scale
        if self._hanging:
            numbers, jacobian = from_compliance(numbers[[0, 3, 4, 1, 2]])
            travel = self._scale * float(self._values[0])
            spread = jacobian @ spread[np.ix_([0, 3, 4, 1, 2], [0, 3, 4, 1, 2])] @ jacobian.T
        blank = Blank.of(numbers)
        dof = max(1.0, (self._count - float(_COLUMNS)) / self._memory())
        scatter = Scatter.of(spread, dof)
        plane = None
        pair = numbers[3:]
        if float(pair @ np.linalg.solve(spread[3:, 3:], pair)) > -2.0 * math.log(0.05):
            plane = direction(blank.d_cos, blank.d_sin, scatter.block(slice(3, 5)), 2)
        none = Systematics(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        answer = snaps_of(blank, scatter, travel, None, none)
        mark = mark_of(self._rule, answer.snaps, answer.tied, plane)
        narrow = [angle for angle in (plane, mark.angle) if angle is not None]
        return LiveState(
            readings=self._count,
            left_out=self._left_out,
            coverage=coverage,
            turns=self._path / TURN,
            stiff_plane=plane,
            mark=mark,
            snaps=answer.snaps,
            stiffness=blank.k,
            noise=noise,
            roll_needed=0.0,
            enough=mark.angle is not None and all(angle.noise_ci95 <= self._target for angle in narrow),
        )

    def _row(self, roll: float, scale: float, elapsed: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        c1, s1 = math.cos(roll), math.sin(roll)
        c2, s2 = c1 * c1 - s1 * s1, 2.0 * c1 * s1
        if self._hanging:
            return np.array(
                [
                    scale,
                    c1,
                    s1,
                    -scale * c2,
                    -scale * s2,
                    self._sense,
                    elapsed,
                    elapsed * elapsed,
                ]
            )
        return np.array(
            [
                scale,
                -c1,
                -s1,
                scale * c2,
                scale * s2,
                self._sense,
                elapsed,
                elapsed * elapsed,
            ]
        )

    def _begin(self, size: float) -> None:
        """Set the covariance of knowing nothing, in units of the readings' variance."""
        unit = max(size, 1e-6)
        per_scale = unit / self._scale
        sizes = np.array([per_scale, unit, unit, per_scale, per_scale, unit, unit, unit])
        self._spread = np.diag(_DIFFUSE * sizes**2 / unit**2)

    def _turn_to(self, roll: float) -> None:
        """Follow the angle: covered cells, path, and the direction with some slack for jitter."""
        self._cells[int(roll % TURN / TURN * _CELLS) % _CELLS] = True
        if not math.isfinite(self._last_roll):
            self._last_roll = roll
            return
        step = difference(roll, self._last_roll)
        self._last_roll = roll
        self._unwrapped += step
        ahead = self._unwrapped - self._turning_point
        if self._sense == 0.0:
            if abs(ahead) > _HYSTERESIS:
                self._sense = math.copysign(1.0, ahead)
                self._path += abs(ahead)
                self._turning_point = self._unwrapped
        elif ahead * self._sense > 0.0:
            self._path += abs(ahead)
            self._turning_point = self._unwrapped
        elif abs(ahead) > _HYSTERESIS:
            self._sense = -self._sense
            self._path += abs(ahead)
            self._turning_point = self._unwrapped

    def _is_spike(self, standard: float) -> bool:
        """Judge an innovation by the scatter so far; three in a row are no spike but news."""
        if self._count < _SETTLED // 2:
            return False
        far = abs(standard) > _SPIKE * max(self._noise(), 1e-12)
        self._in_a_row = self._in_a_row + 1 if far else 0
        return far and self._in_a_row < 3

    def _noise(self) -> float:
        left = self._count - _COLUMNS
        return math.sqrt(self._squares / left) if left > 0 else math.nan

    def _memory(self) -> float:
        """How many readings count as one: (1 + ρ)/(1 − ρ) with ρ the innovations' lag-one correlation."""
        if self._squares <= 0.0:
            return 1.0
        rho = min(0.98, max(0.0, self._products / self._squares))
        return (1.0 + rho) / (1.0 - rho)


__all__ = ["LiveRoll", "LiveState"]
