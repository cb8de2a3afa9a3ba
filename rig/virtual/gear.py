"""The virtual rig's parts: load cell, amplifier, sensors, chuck, and all that is wrong with them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rig.calibration import AngleScale, Calibration, LoadScale, TipScale, TravelScale, TurnScale
from rig.calibration.counts import TURN_COUNTS
from rig.calibration.geometry import Geometry, SwingArm, Winch

TRAVEL_BITS = 16
"""Width of the travel counter, without sign."""


def example_winch(free_length_m: float) -> Winch:
    """Give a winch as a shop may have it: a drum of 40 mm, the string in layers, an eye above the outer part.

    Parameters
    ----------
    free_length_m : float
        Of the blanks that it is set up for, m.
    """
    return Winch(
        drum_radius_m=0.020,
        string_m=0.0006,
        drum_width_m=0.0030,
        turns_on_drum=2.0,
        drum_ci95_m=1e-5,
        guide_x_m=round(0.92 * free_length_m, 3),
        guide_y_m=round(0.65 * free_length_m, 3),
        place_ci95_m=0.002,
    )


def example_arm(free_length_m: float) -> SwingArm:
    """Give a swing arm as a shop may have it: a roller that touches the blank 2 % short of its tip."""
    low, roller = round(-0.07 * free_length_m, 3), 0.012
    pivot = round(0.30 * free_length_m, 3)
    return SwingArm(
        arm_m=round(math.hypot(0.98 * free_length_m - pivot, low + roller), 3),
        pivot_x_m=pivot,
        pivot_y_m=low,
        roller_m=roller,
        arm_ci95_m=0.001,
        place_ci95_m=0.002,
    )


@dataclass(frozen=True, slots=True)
class Gear:
    """What the rig adds to the truth. The defaults are a cheap rig on a good day. SI and radians.

    A load reads ``load_zero_counts + load / load_N_per_count``, rounded and stopped at the amplifier's ends;
    travel likewise; the angle reads ``angle_zero_counts + angle_sign · angle · 4096 / 2π``, modulo 4096.
    """

    load_N_per_count: float = 9.81e-6
    """Newtons in one count of the amplifier: a 20 N cell of 1 mV/V at gain 128."""
    load_zero_counts: int = 84_213
    """Counts of the unloaded cell."""
    load_noise_N: float = 0.012
    """White noise of one reading, standard deviation."""
    load_wander_N: float = 0.004
    """Noise that hangs together from one reading to the next, standard deviation."""
    load_wander_s: float = 0.1
    """Time over which it hangs together (first-order Gauss–Markov)."""
    load_lag_s: float = 0.0
    """The amplifier's delay against the other channels."""
    drift_N: float = 0.02
    """Typical (rms) shift of the load's zero one minute after it was set."""
    friction_N: float = 0.025
    """Friction while rolling; half of the jump between the two directions."""
    friction_rad: float = math.radians(0.4)
    """Roll after a reversal over which friction turns its sign (Dahl's model)."""
    spike_share: float = 0.0
    """Share of readings that a spike spoils."""
    spike_N: float = 1.5
    """Typical size of a spike."""
    travel_m_per_count: float = 5e-5
    """Metres in one count of the travel counter."""
    travel_zero_counts: int = 412
    """Counts where the tip is free."""
    geometry: Geometry | None = None
    """A winch or a swing arm whose turn an angle sensor reads, 4096 counts a turn, which then begins again;
    None: a counter along the pull."""
    travel_noise_m: float = 0.0008
    """White noise of one travel reading while the carriage moves; a locked carriage reads still."""
    angle_zero_counts: int = 1234
    """Counts where the chuck stands at 0."""
    angle_sign: int = 1
    """+1: counts grow with the chuck angle; −1: the sensor counts the other way."""
    angle_noise_rad: float = math.radians(0.03)
    """White noise of one angle reading."""
    magnet_rad: float = 0.0
    """Once-per-turn error of the angle sensor (a magnet off its centre), amplitude."""
    tip_zero_counts: int = 2048
    """Counts of the tip's slope sensor where the tip lies along the chuck's axis."""
    tip_sign: int = 1
    """+1: counts grow toward the pull."""
    tip_noise_rad: float = math.radians(0.25)
    """White noise of one slope reading."""
    runout_m: float = 0.0
    """How far the chuck's axis is off at the tip, turning with the chuck."""
    runout_direction: float = 0.0
    """Chuck angle at which that offset is toward the pull."""
    support: float = 0.0
    """2-per-turn part of the stiffness that the chuck's support adds, as a fraction of the stiffness."""
    support_plane: float = 0.0
    """Chuck angle of its stiffest plane."""

    def calibration(self, dated: str = "") -> Calibration:
        """Give the calibration of these parts as a careful shop would have made it.

        The scales are the true ones; the half-widths are what a known weight of 0.1 %, a ruler and an index
        mark allow.
        """
        return Calibration(
            dated=dated,
            load=LoadScale(self.load_zero_counts, self.load_N_per_count, scale_ci95=0.002),
            travel=self.turning or TravelScale(self.travel_zero_counts, self.travel_m_per_count, 0.001),
            angle=AngleScale(self.angle_sign, self.angle_zero_counts, zero_ci95_deg=0.3),
            tip=TipScale(self.tip_sign, self.tip_zero_counts),
        )

    @property
    def turning(self) -> TurnScale | None:
        """What reads the travel as an angle; None: a counter along the pull."""
        if self.geometry is None:
            return None
        return TurnScale(
            self.travel_zero_counts,
            self.geometry,
            wraps_at=TURN_COUNTS,
            scale_ci95=self.geometry.scale_ci95,
        )

    def quiet(self) -> Gear:
        """Return the same parts without noise, drift, friction, spikes or run-out; counts are still whole."""
        return replace(
            self,
            load_noise_N=0.0,
            load_wander_N=0.0,
            load_lag_s=0.0,
            drift_N=0.0,
            friction_N=0.0,
            spike_share=0.0,
            travel_noise_m=0.0,
            angle_noise_rad=0.0,
            magnet_rad=0.0,
            tip_noise_rad=0.0,
            runout_m=0.0,
            support=0.0,
        )
