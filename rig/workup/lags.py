"""Lag, backlash and friction of the rig from runs rolled both ways."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimate import coverage_factor
from analysis.roll.fit import Measured, measure
from analysis.roll.lag import rates
from rig.calibration import LagScale
from rig.errors import FileError
from rig.runs import Run, naming_lines, roll_readings
from rig.settings import Settings

_TWO_RATES = 1.5
"""Rates that differ by this factor tell lag from backlash."""


@dataclass(frozen=True, slots=True)
class LagFound:
    """What runs both ways say of the rig."""

    scale: LagScale
    """For the calibration file."""
    runs: tuple[str, ...]
    """The runs, as given."""
    warnings: tuple[str, ...]
    """Plain sentences."""


def work_lag(runs: Sequence[Run], settings: Settings, dated: str) -> LagFound:
    """Find lag, backlash and friction.

    A run turned at the rate ω shows τ + b/ω: a lag τ and a backlash of ± b in the angle. Two rates tell them
    apart (weighted least squares); one rate gives their sum as lag.

    Raises
    ------
    FileError
        For a run in one direction, or one whose load hardly changes over the roll.
    """
    lags, errors, speeds, friction, dofs = [], [], [], [], []
    for run in runs:
        readings = roll_readings(run, settings)
        found = naming_lines(run, lambda readings=readings: measure(readings))  # type: ignore[misc]
        if not isinstance(found, Measured) or not found.sifted.two_way or readings.at_rest:
            raise FileError(
                run.path, None, "it was not rolled both ways while it was read", "roll a turn and back"
            )
        if found.lag is None:
            raise FileError(
                run.path,
                None,
                "its load hardly changes over the roll, so it tells no lag",
                "take a blank with a bow or a plainer stiff plane, or bend it further",
            )
        rate = np.abs(rates(found.sifted.time, found.sifted.roll))
        speeds.append(float(np.median(rate[rate > 0.2 * rate.max()])))
        lags.append(found.lag.value)
        errors.append(found.lag.noise)
        dofs.append(found.dof)
        at = found.fitted.columns.friction
        if at is not None and found.fitted.kind != "hanging":
            friction.append(
                (abs(float(found.fitted.values[at])), math.sqrt(found.fitted.values_spread[at, at]))
            )
    slowness = 1.0 / np.array(speeds)
    two = bool(slowness.max() / slowness.min() >= _TWO_RATES)
    design = np.column_stack([np.ones(len(runs)), slowness]) if two else np.ones((len(runs), 1))
    weight = 1.0 / np.array(errors)
    cov = np.linalg.inv((design * weight[:, np.newaxis]).T @ (design * weight[:, np.newaxis]))
    values = cov @ (design * (weight**2)[:, np.newaxis]).T @ np.array(lags)
    left = (np.array(lags) - design @ values) * weight
    free = len(runs) - design.shape[1]
    factor = coverage_factor(min(dofs))
    if free > 0:
        # Runs may differ by more than their noise (an uneven hand): then by Student's factor of what is left.
        excess = math.sqrt(float(left @ left) / free)
        factor = max(factor, excess * coverage_factor(free)) if excess > 1.5 else factor
    said = []
    if not two:
        said.append("All runs turn at about one rate, so backlash is in the lag: add a run at half the rate.")
    drag = drag_ci = None
    if friction:
        sizes, sures = np.array(friction).T
        drag = float(np.mean(sizes))
        drag_ci = 1.96 * float(
            np.hypot(np.linalg.norm(sures) / len(sures), np.std(sizes) / math.sqrt(len(sizes)))
        )
    scale = LagScale(
        dated=dated,
        lag_s=float(values[0]),
        lag_ci95_s=factor * math.sqrt(cov[0, 0]),
        backlash_deg=math.degrees(values[1]) if two else None,
        backlash_ci95_deg=math.degrees(factor * math.sqrt(cov[1, 1])) if two else None,
        friction_N=drag,
        friction_ci95_N=drag_ci,
    )
    return LagFound(scale, tuple(run.path for run in runs), tuple(said))
