"""Runs of one blank brought to a fit: which one speaks for the rest, first guesses, own weight, zero."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import numpy as np
from scipy import constants

from analysis.bend.by_hand import is_table, screen_table
from analysis.bend.curve import Curve, SteeredCurve
from analysis.bend.elastica import Bender, Surroundings, load_for_travel
from analysis.bend.family import TAPER_MEAN, Family
from analysis.bend.fit import Fit, fit
from analysis.bend.profile import Taper, own_weight
from analysis.bend.screen import Sweep, at_tip, screen
from analysis.bend.steered import steering
from analysis.bend.track import Track
from analysis.errors import ReadingsError
from analysis.estimate import NORMAL_95
from analysis.readings import FlexReadings, Floats, Guide

_FIT_ELEMENTS = 8
"""Elements while fitting: travel and slope of usual tapers to 1e-7, below any rig's noise (ours)."""


def refuse_two_blanks(runs: Sequence[FlexReadings]) -> None:
    """Refuse runs of several blanks."""
    for at, run in enumerate(runs):
        if run.blank != runs[0].blank:
            raise ReadingsError(
                f"this run is of blank {run.blank or 'without a name'}, and the first is of blank "
                f"{runs[0].blank or 'without a name'}",
                "fit runs of one blank together",
                run=at,
            )


def speaks_for_all(runs: Sequence[FlexReadings]) -> int:
    """Which run speaks for the rest: the first with the load at the tip, else the nearest to it."""
    for at, run in enumerate(runs):
        if at_tip(run):
            return at
    return min(range(len(runs)), key=lambda at: runs[at].free_length_m - (runs[at].station_m or 0.0))


def screened(run: FlexReadings, at: int) -> Sweep:
    """Look a run over, and say which it was that cannot be used."""
    try:
        return screen_table(run) if is_table(run) else screen(run)
    except ReadingsError as error:
        error.run = at
        raise


def fit_runs(runs: Sequence[FlexReadings], sweeps: Sequence[Sweep], reach: float) -> Fit:
    """Fit all runs with one rigidity."""
    tracks, levels = [], []
    for run, sweep in zip(runs, sweeps, strict=True):
        length = run.free_length_m
        unit = usual_taper(length)
        around = Surroundings(run.station_m, _weight(run, unit), _clip_weight(run))
        far = sweep.travel_m > 0.8 * float(np.max(sweep.travel_m))
        travel = min(float(np.mean(sweep.travel_m[far])), 0.7 * (run.station_m or length))
        per_level = _unit_load(run, unit, travel)
        pulled = float(np.mean(sweep.load_N[far]))
        level = math.log(pulled / per_level)
        noise = np.array([value if math.isfinite(value) else 0.0 for value in sweep.scatter])
        largest = float(np.quantile(sweep.load_N, 0.99)) + 4.0 * float(noise[0])
        noise = np.maximum(noise, 2e-5 * np.array([largest, float(np.max(sweep.travel_m)), 1.0]))
        bender = Bender(unit, around, elements=_FIT_ELEMENTS)
        family = Family(reach, TAPER_MEAN + np.array([level, 0.0, 0.0]))
        if run.pulled_by is None:
            curve = Curve(bender, family, largest)
        else:
            curve = SteeredCurve(bender, unit, around, family, largest, run.pulled_by)
        tracks.append(
            Track(
                sweep,
                curve,
                _zero_doubt(run),
                sweep.load_N.copy(),
                noise,
                np.ones(sweep.load_N.size),
                _elapsed(run.time_s[sweep.row]),
            )
        )
        levels.append(level)
    return fit(reach, tracks, float(np.mean(levels)))


@contextmanager
def of_a_blank(runs: Sequence[FlexReadings], sweeps: Sequence[Sweep]) -> Iterator[None]:
    """Turn numbers that run away, which readings of no blank make, into one plain error.

    The readings have been looked over before, so that whatever fails in here fails for their sake.
    """
    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            yield
    except (ArithmeticError, ValueError) as error:  # no balance, a singular matrix
        slope = any(np.isfinite(sweep.tip).any() for sweep in sweeps)
        steered = any(run.pulled_by is not None for run in runs)
        raise ReadingsError(
            f"{'load, travel and tip slope' if slope else 'load and travel'} follow the curve of no blank"
            + (" on this winch or swing arm" if steered else ""),
            "check the place of its eye or pivot in the settings, and calibrate the travel again"
            if steered
            else "check their units and calibration, and record again",
        ) from error


def usual_taper(length: float) -> Taper:
    """A usual taper with a rigidity of 1 N·m² at the chuck; it lays out grids that are fine near the tip."""
    exponent = math.exp(TAPER_MEAN[2])
    return Taper(length, 1.0, math.exp(TAPER_MEAN[1] / exponent), exponent)


def _unit_load(run: FlexReadings, unit: Taper, travel_m: float) -> float:
    """Load that takes a blank of a usual taper and a rigidity of 1 N·m² to a travel, N."""
    bare = Surroundings(station_m=run.station_m)
    if isinstance(run.pulled_by, Guide):
        return steering(unit, run.pulled_by, bare, _FIT_ELEMENTS).up_to(travel_m, 6)[-1][1]
    return load_for_travel(unit, travel_m, bare, tolerance=1e-4).load_N


def _clip_weight(run: FlexReadings) -> float:
    """Weight along the pull of what rides on the tip, N."""
    return {"down": 1.0, "up": -1.0}.get(run.pull or "", 0.0) * run.clip_kg * constants.g


def _weight(run: FlexReadings, shape: Taper) -> Callable[[Floats], Floats] | float:
    """Own weight per length along the pull, N/m."""
    if run.mass_kg is None or run.pull not in ("down", "up"):
        return 0.0
    per_length = own_weight(shape, run.mass_kg, run.length_m)
    sign = 1.0 if run.pull == "down" else -1.0
    return lambda stations: sign * per_length(stations)


def _zero_doubt(run: FlexReadings) -> float:
    """How far the load's zero may be off at the first reading, one standard deviation, N."""
    return 0.0 if run.rig.load_zero_ci95_N is None else run.rig.load_zero_ci95_N / NORMAL_95


def _elapsed(time_s: Floats) -> Floats:
    """Time since the first reading over the run's time, 0 to 1; by the order where the clock is no help."""
    order = np.linspace(0.0, 1.0, time_s.size)
    span = float(np.nanmax(time_s) - np.nanmin(time_s)) if np.isfinite(time_s).any() else 0.0
    if not span > 0.0 or not np.isfinite(time_s).all():
        return order
    return np.asarray((time_s - time_s.min()) / span)
