"""What limits a flex result, in plain sentences for the builder."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.angles import HALF_TURN, difference
from analysis.bend.family import SIZE
from analysis.bend.fit import Fit
from analysis.bend.rating import REFERENCE_BEND
from analysis.bend.result import Direct
from analysis.bend.screen import Sweep, at_tip
from analysis.bend.shares import Planes
from analysis.bend.track import RIG_TERMS
from analysis.estimate import Estimate
from analysis.readings import FlexReadings

_MISFIT = 3.0
"""A fitted noise beyond so many times the scatter from reading to reading is a curve that does not fit."""
_SURE = 4.0
"""A drag is told where it is so many times its standard error."""
_LEAST_DRAG = 0.005
"""A drag that is told holds loading and unloading apart by more than this part of the largest load."""
_OTHER_SIDE = math.radians(10.0)
"""Sides of the blank further apart than this are two sides."""


def short_of_reference(sweeps: Sequence[Sweep], runs: Sequence[FlexReadings]) -> bool:
    """Whether no run with the load at the tip reached its reference bend."""
    return all(
        not at_tip(run)
        or float(np.quantile(sweep.travel_m, 0.995)) < 0.99 * REFERENCE_BEND * run.free_length_m
        for sweep, run in zip(sweeps, runs, strict=True)
    )


def cautions(
    runs: Sequence[FlexReadings],
    sweeps: Sequence[Sweep],
    rated_m: float,
    free_m: float,
    planes: Planes | None,
) -> list[str]:
    """Say what limits the ratings.

    Parameters
    ----------
    runs, sweeps : sequences
        The runs and their usable readings.
    rated_m, free_m : float
        Length that is rated, what is cut from the tip included, and the free length, m.
    planes : Planes or None
        What is known of the blank's sides.
    """
    said = []
    tips = [(run, sweep) for run, sweep in zip(runs, sweeps, strict=True) if at_tip(run)]
    if not tips:
        beyond = min(run.free_length_m - (run.station_m or 0.0) for run in runs)
        said.append(
            f"No load acted at the tip: the last {1e3 * beyond:.0f} mm were not bent and are carried on from "
            "the rest. A run with the hook at the tip settles it."
        )
    elif short_of_reference(sweeps, runs):
        most = max(float(np.max(sweep.travel_m)) / run.free_length_m for run, sweep in tips)
        said.append(
            f"The run stops at {100.0 * most:.0f} % of the length, short of the reference bend at 25 %: "
            "the reference load is carried on by the model."
        )
    if all(not np.isfinite(sweep.tip).any() for sweep in sweeps):
        said.append(
            "The tip's slope was not read: power is as sure without it, but where the blank bends, and so "
            "its action, is some thirty times less sure. An angle sensor clipped to the tip settles it."
        )
    if not any(sweep.both_ways for sweep in sweeps):
        said.append(
            "The run goes one way only: loading and unloading cannot be told apart, and the reference load "
            "may be off by half of the hysteresis."
        )
    if rated_m > free_m * (1.0 + 1e-9):
        said.append(
            f"Rated at {rated_m:.3f} m: the last {1e3 * (rated_m - free_m):.0f} mm next to the chuck were "
            "not measured and are carried on from the rest."
        )
    if not any(run.rig.states_calibration for run in runs):
        said.append("The run states no calibration: the half-widths leave it out.")
    if any(run.pull in ("down", "up") and run.mass_kg is None for run in runs):
        said.append("The blank's mass is not known, so its own weight is left out.")
    sides = [run.roll for run in runs if run.roll is not None]
    if planes is None and any(abs(difference(side, sides[0], HALF_TURN)) > _OTHER_SIDE for side in sides):
        said.append(
            "The runs bent different sides of the blank, which are not equally stiff: give its roll run, or "
            "runs of one side."
        )
    return said


def misfits(found: Fit) -> list[str]:
    """Say where the readings stand further from the fit than from each other."""
    names = ("load", "travel", "tip slope")
    for track in found.tracks:
        seen = np.array(track.sweep.scatter)
        off = [
            name
            for name, fitted, near in zip(names, track.noise, seen, strict=True)
            if math.isfinite(near) and near > 0.0 and fitted > _MISFIT * near
        ]
        if off:
            return [
                f"The readings of {' and '.join(off)} do not follow the curve of any blank within "
                "their scatter: look at calibration, hook and zero. The half-widths are wider for it."
            ]
    return []


def drag_caution(found: Fit) -> list[str]:
    """Say where loading and unloading stand apart by a load that is there even with the blank at rest."""
    for at, track in enumerate(found.tracks):
        start = SIZE + RIG_TERMS * at
        apart, error = float(found.rig(at)[0]), math.sqrt(float(found.covariance[start, start]))
        if track.sweep.both_ways and apart > _SURE * error and apart > _LEAST_DRAG * track.curve.high_N:
            return [
                f"Something on the rig drags by about {500.0 * apart:.0f} mN, against the hand there and "
                "back: look at string, eye, pulley or pivot. It is taken off the ratings, and stands in the "
                "hysteresis."
            ]
    return []


def set_caution(stays: Estimate | None, load_after_N: float | None, slack: float) -> list[str]:
    """Say what a travel that stays after unloading may be.

    Parameters
    ----------
    stays : Estimate or None
        Travel left at no load, m.
    load_after_N : float or None
        What the load read with the tip free after the run, where that is known.
    slack : float
        Travel per load at small travel, m/N.
    """
    if stays is None or abs(stays.value) <= stays.noise_ci95:
        return []
    left = f"After unloading {1e3 * stays.value:.1f} mm of travel are left at no load"
    if load_after_N is not None:
        return [f"{left}: the blank took a set, or the hook moved."]
    return [
        f"{left}. A set of the blank, a hook that rubs and a load zero that drifts by "
        f"{1e3 * abs(stays.value) / slack:.0f} mN look the same in this run: read the load with the tip free "
        "after a run, and write it into the header as load_after_N."
    ]


def direct_cautions(direct: Direct | None) -> list[str]:
    """Say where the readings themselves and the model disagree."""
    said = []
    if direct is not None and direct.load is not None and not direct.load_agrees:
        off = 100.0 * (direct.load.value / direct.load_by_model.value - 1.0)
        way = "above" if off > 0.0 else "below"
        said.append(
            f"The load read at the reference bend is {abs(off):.2g} % {way} the "
            "model's, more than both half-widths: look for a hook that slips, and record the run again."
        )
    if direct is not None and direct.small_centre is not None and not direct.small_centre_agrees:
        off = direct.small_centre.value - direct.small_centre_by_model.value
        said.append(
            f"At small loads travel over slope puts the bend centre {abs(off):.2g} "
            f"{'further from' if off > 0.0 else 'nearer to'} the tip than the model does: check the scale of "
            "the tip's slope and of the travel."
        )
    return said
