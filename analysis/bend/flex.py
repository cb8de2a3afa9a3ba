"""A flex run, or several of one blank, to power, action and rigidity along the blank."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from analysis.bend.cautions import at_tip, cautions, misfits, short_of_reference
from analysis.bend.classes import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.bend.curve import Curve
from analysis.bend.elastica import Bender, Surroundings, load_for_travel, solve
from analysis.bend.family import SIZE, TAPER_MEAN, Family
from analysis.bend.fit import LOOP_TERMS, RIG_TERMS, Fit, Track, drift_terms, fit, loop_terms
from analysis.bend.profile import Profile, Taper, own_weight
from analysis.bend.rating import Ratings, even_load, ratings_of
from analysis.bend.result import FlexCurve, FlexResult, Station
from analysis.bend.screen import Sweep, screen
from analysis.bend.side import Planes, to_the_mean
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share
from analysis.readings import FlexReadings, Floats

STATIONS = 21
"""Places along the blank where the rigidity is reported."""
_FIT_ELEMENTS = 8
_ONE_WAY = 0.01
"""95 % half-width of the reference load, relative, where loading and unloading cannot be told apart: half of
a hysteresis of 2 %, which few blanks exceed (common practice, no source)."""
_NORMAL = 1.959964
_LOAD, _CENTRE, _STIFF = 0, 1, 2


def fit_flex(
    readings: FlexReadings | Sequence[FlexReadings],
    *,
    rated_length_m: float | None = None,
    cut_tip_m: float = 0.0,
    cut_butt_m: float = 0.0,
    power_bands: Bands = DEFAULT_POWER_BANDS,
    action_bands: Bands = DEFAULT_ACTION_BANDS,
    label_power: str | None = None,
    label_action: str | None = None,
    planes: Planes | None = None,
    curve: bool = False,
) -> FlexResult:
    """Rate a blank from its flex readings.

    Parameters
    ----------
    readings : FlexReadings or sequence of them
        One run, or several of the same blank, which are fitted together: a load at another station, or a
        second run, makes the rigidity surer. Hysteresis and figures are of the first that loads the tip.
    rated_length_m : float or None
        Length at which power and action are rated; None is the free length (of the
        first run that loads the tip).
    cut_tip_m, cut_butt_m : float
        Rate the blank as if so much were cut from its tip or its butt, m. Without a rated length the rest is
        rated at what is left of the free length.
    power_bands, action_bands : Bands
        Class words and their edges.
    label_power, label_action : str or None
        Class words that the maker's label claims.
    planes : Planes or None
        Anisotropy and stiff plane from a roll run of the same blank: the ratings then hold for the mean over
        the roll, else for the side that faced the pull.
    curve : bool
        Whether the arrays for the figures are wanted.

    Raises
    ------
    ReadingsError
        If the readings cannot give an answer, with the row and the run; or if the runs are of two blanks.
    BlankbenchError
        If the label's word is no class.
    """
    runs = [readings] if isinstance(readings, FlexReadings) else list(readings)
    if not runs:
        raise ValueError("a flex fit needs a run")
    power_word = None if label_power is None else power_bands.word(label_power, "power")
    action_word = None if label_action is None else action_bands.word(label_action, "action")
    _one_blank(runs)
    main = _main(runs)
    free = runs[main].free_length_m
    cut = cut_tip_m + cut_butt_m
    if not 0.0 <= cut < free:
        raise ReadingsError("nothing would be left of the blank", "cut less")
    rated = free - cut if rated_length_m is None else rated_length_m
    if not (math.isfinite(rated) and rated > 0.0):
        raise ValueError("the rated length is a positive number")
    reach = max(rated + cut_tip_m, *(run.free_length_m for run in runs))
    sides = [to_the_mean(run.roll, planes) for run in runs]
    mean, _, said = sides[main]
    side_shares = max((shares for _, shares, _ in sides), key=lambda shares: sum(part for _, part in shares))
    runs = [
        replace(run, load_N=run.load_N * (factor / mean))
        for run, (factor, _, _) in zip(runs, sides, strict=True)
    ]
    sweeps = [_screened(run, at) for at, run in enumerate(runs)]
    with _of_a_blank(sweeps):
        found = _fitted(runs, sweeps, reach)
        blank = found.parameters[:SIZE]
        covariance = found.covariance[:SIZE, :SIZE]
        profile = _profile(found, free)
        at_free = ratings_of(found.family, blank, covariance, free, _usual(free))
        at_rated = at_free
        if rated != free or cut_tip_m:
            at_rated = ratings_of(found.family, blank, covariance, rated, _usual(rated), cut_tip_m)
        if not all(np.isfinite(ratings.changes).all() for ratings in (at_free, at_rated)):
            raise FloatingPointError("a rating is not finite")
        drawn = _curve(found, main, profile) if curve else None
    dof = max(4.0, float(sum(sweep.load_N.size for sweep in sweeps)) - SIZE)
    changes = _systematic_changes(runs, found)
    warnings = [*said, *cautions(runs, sweeps, rated + cut_tip_m, free, planes), *misfits(found)]

    one_way = not any(sweep.both_ways for sweep in sweeps)
    load = _estimate(at_rated, _LOAD, dof, changes)
    load = load.with_shares(_length_shares(runs[main], at_rated, rated == free, load.value))
    stiff = _estimate(at_free, _STIFF, dof, changes)
    if one_way:
        load = load.with_shares([Share("one direction", _ONE_WAY * load.value)])
        stiff = stiff.with_shares([Share("one direction", _ONE_WAY * stiff.value)])
    load = load.scaled(mean).with_shares(_relative(side_shares, load.value * mean))
    stiff = stiff.scaled(mean).with_shares(_relative(side_shares, stiff.value * mean))
    centre = _estimate(at_rated, _CENTRE, dof, changes)
    length_error = runs[main].rig.free_length_ci95_m
    if length_error is not None:
        centre = centre.with_shares([Share("free length", centre.value * length_error / rated)])
    power, action = power_bands.call(load), action_bands.call(centre)
    return FlexResult(
        free_length_m=free,
        rated_length_m=rated,
        reference_load=load,
        even_blank_rigidity=load.scaled(rated**2 / even_load()),
        bend_centre=centre,
        initial_stiffness=stiff,
        hysteresis=_hysteresis(found, main, at_free.value.reference_load_N, dof),
        power_class=power,
        action_class=action,
        label_power_probability=None if power_word is None else power.probability(power_word),
        label_action_probability=None if action_word is None else action.probability(action_word),
        rigidity=_stations(found, free, dof, changes, mean, side_shares),
        extrapolated=short_of_reference(sweeps, runs),
        curve=drawn,
        warnings=tuple(warnings),
        profile=_scaled(profile, mean),
        hooks_m=tuple(run.free_length_m if run.station_m is None else run.station_m for run in runs),
    )


def _one_blank(runs: Sequence[FlexReadings]) -> None:
    """Refuse runs of several blanks."""
    for at, run in enumerate(runs):
        if run.blank != runs[0].blank:
            raise ReadingsError(
                f"this run is of blank {run.blank or 'without a name'}, and the first is of blank "
                f"{runs[0].blank or 'without a name'}",
                "fit runs of one blank together",
                run=at,
            )


def _main(runs: Sequence[FlexReadings]) -> int:
    """Which run speaks for the rest: the first with the load at the tip, else the nearest to it."""
    for at, run in enumerate(runs):
        if at_tip(run):
            return at
    return min(range(len(runs)), key=lambda at: runs[at].free_length_m - (runs[at].station_m or 0.0))


def _screened(run: FlexReadings, at: int) -> Sweep:
    """Look a run over, and say which it was that cannot be used."""
    try:
        return screen(run)
    except ReadingsError as error:
        error.run = at
        raise


def _fitted(runs: Sequence[FlexReadings], sweeps: Sequence[Sweep], reach: float) -> Fit:
    """Fit all runs with one rigidity."""
    tracks, levels = [], []
    for run, sweep in zip(runs, sweeps, strict=True):
        length = run.free_length_m
        unit = _usual(length)
        around = Surroundings(station_m=run.station_m, weight=_weight(run, unit))
        far = sweep.travel_m > 0.8 * float(np.max(sweep.travel_m))
        bare = Surroundings(station_m=run.station_m)
        travel = min(float(np.mean(sweep.travel_m[far])), 0.7 * (run.station_m or length))
        per_level = load_for_travel(unit, travel, bare, tolerance=1e-4).load_N
        pulled = float(np.mean(sweep.load_N[far]))
        level = math.log(pulled / per_level)
        noise = np.array([value if math.isfinite(value) else 0.0 for value in sweep.scatter])
        largest = float(np.quantile(sweep.load_N, 0.99)) + 4.0 * float(noise[0])
        noise = np.maximum(noise, 2e-5 * np.array([largest, float(np.max(sweep.travel_m)), 1.0]))
        bender = Bender(unit, around, elements=_FIT_ELEMENTS)
        start = TAPER_MEAN + np.array([level, 0.0, 0.0])
        tracks.append(
            Track(
                sweep,
                Curve(bender, Family(reach, start), largest),
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
def _of_a_blank(sweeps: Sequence[Sweep]) -> Iterator[None]:
    """Turn numbers that run away, which readings of no blank make, into one plain error.

    The readings have been looked over before, so that whatever fails in here fails for their sake.
    """
    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            yield
    except (ArithmeticError, ValueError) as error:  # no balance, a singular matrix
        slope = any(np.isfinite(sweep.tip).any() for sweep in sweeps)
        raise ReadingsError(
            f"{'load, travel and tip slope' if slope else 'load and travel'} follow the curve of no blank",
            "check their units and calibration, and record again",
        ) from error


def _usual(length: float) -> Taper:
    """A usual taper with a rigidity of 1 N·m² at the chuck; it lays out grids that are fine near the tip."""
    exponent = math.exp(TAPER_MEAN[2])
    return Taper(length, 1.0, math.exp(TAPER_MEAN[1] / exponent), exponent)


def _weight(run: FlexReadings, shape: Taper) -> Callable[[Floats], Floats] | float:
    """Own weight per length along the pull, N/m."""
    if run.mass_kg is None or run.pull not in ("down", "up"):
        return 0.0
    per_length = own_weight(shape, run.mass_kg, run.length_m)
    sign = 1.0 if run.pull == "down" else -1.0
    return lambda stations: sign * per_length(stations)


def _zero_doubt(run: FlexReadings) -> float:
    """How far the load's zero may be off at the first reading, one standard deviation, N."""
    return 0.0 if run.rig.load_zero_ci95_N is None else run.rig.load_zero_ci95_N / _NORMAL


def _elapsed(time_s: Floats) -> Floats:
    """Time since the first reading over the run's time, 0 to 1; by the order where the clock is no help."""
    order = np.linspace(0.0, 1.0, time_s.size)
    span = float(np.nanmax(time_s) - np.nanmin(time_s)) if np.isfinite(time_s).any() else 0.0
    if not span > 0.0 or not np.isfinite(time_s).all():
        return order
    return np.asarray((time_s - time_s.min()) / span)


def _systematic_changes(runs: Sequence[FlexReadings], found: Fit) -> list[tuple[str, Floats]]:
    """Change of the blank's parameters for each scale's half-width, shape (SIZE,)."""
    changes = []
    for cause, name, channel in (
        ("load calibration", "load_scale_ci95", 0),
        ("travel calibration", "travel_scale_ci95", 1),
    ):
        total = np.zeros(SIZE)
        for run, track, response in zip(runs, found.tracks, found.responses, strict=True):
            stated = getattr(run.rig, name)
            if stated:
                reading = track.sweep.load_N if channel == 0 else track.sweep.travel_m
                total += stated * (response[channel] @ reading)[:SIZE]
        if np.any(total):
            changes.append((cause, total))
    return changes


def _estimate(ratings: Ratings, which: int, dof: float, changes: Sequence[tuple[str, Floats]]) -> Estimate:
    """One rating with its noise (the family's own error in it) and the shares of the scales."""
    value = (
        ratings.value.reference_load_N,
        ratings.value.bend_centre,
        ratings.value.initial_stiffness_N_per_m,
    )[which]
    unit = 1.0 if which == _CENTRE else value  # the other two are rated as logarithms
    shares = [
        Share(cause, abs(ratings.effect(change, which)) * unit, shared=True) for cause, change in changes
    ]
    return Estimate(value, ratings.error(which) * unit, dof).with_shares(shares)


def _length_shares(run: FlexReadings, ratings: Ratings, as_measured: bool, load: float) -> list[Share]:
    """Share of the free length's half-width in the reference load.

    Rated as measured, only the travel of the reference bend moves with the length; rated at another length,
    the rigidity that was found goes with the third power of the length.
    """
    error = run.rig.free_length_ci95_m
    if error is None:
        return []
    power = ratings.value.load_exponent if as_measured else 3.0
    return [Share("free length", load * power * error / run.free_length_m)]


def _relative(shares: Sequence[tuple[str, float]], value: float) -> list[Share]:
    return [Share(cause, part * abs(value)) for cause, part in shares]


def _hysteresis(found: Fit, main: int, load_N: float, dof: float) -> Estimate | None:
    """(loading − unloading)/mean load at the reference bend; None from one direction."""
    order = [main, *(at for at in range(len(found.tracks)) if at != main)]
    for at in order:
        track = found.tracks[at]
        if track.sweep.both_ways:
            terms = loop_terms(np.array([load_N]), track.curve.high_N)[:, 0]
            start = SIZE + RIG_TERMS * at
            block = found.covariance[start : start + LOOP_TERMS, start : start + LOOP_TERMS]
            value = float(found.rig(at)[:LOOP_TERMS] @ terms)
            return Estimate(value / load_N, math.sqrt(float(terms @ block @ terms)) / load_N, dof)
    return None


def _profile(found: Fit, length: float) -> Profile:
    """Rigidity along the blank with its covariance, for the side that was measured."""
    s = np.linspace(0.0, length, 4 * (STATIONS - 1) + 1)
    base, gradient = found.family.linear(length - s)
    log_EI = base + found.parameters[:SIZE] @ gradient
    covariance = gradient.T @ found.covariance[:SIZE, :SIZE] @ gradient
    return Profile(s, np.exp(log_EI), covariance)


def _scaled(profile: Profile, factor: float) -> Profile:
    return Profile(profile.s_m, profile.EI_Nm2 * factor, profile.log_covariance)


def _stations(
    found: Fit,
    length: float,
    dof: float,
    changes: Sequence[tuple[str, Floats]],
    mean: float,
    side: Sequence[tuple[str, float]],
) -> tuple[Station, ...]:
    """Rigidity at evenly spaced places from the chuck's face to the tip."""
    s = np.linspace(0.0, length, STATIONS)
    base, gradient = found.family.linear(length - s)
    EI = mean * np.exp(base + found.parameters[:SIZE] @ gradient)
    errors = np.sqrt(np.einsum("pn,pq,qn->n", gradient, found.covariance[:SIZE, :SIZE], gradient))
    stations = []
    for at, place in enumerate(s):
        shares = [
            Share(cause, abs(float(change @ gradient[:, at])) * float(EI[at]), shared=True)
            for cause, change in changes
        ]
        value = Estimate(float(EI[at]), float(EI[at] * errors[at]), dof)
        value = value.with_shares([*shares, *_relative(side, float(EI[at]))])
        stations.append(Station(float(place), float(length - place), value))
    return tuple(stations)


def _curve(found: Fit, run: int, profile: Profile) -> FlexCurve:
    """Arrays for the figures, of one run."""
    track = found.tracks[run]
    sweep, rig = track.sweep, found.rig(run)
    around = Surroundings(station_m=track.curve.bender.station_m)
    loads = np.linspace(0.0, float(np.max(sweep.load_N)), 101)
    across = track.curve.matrix(loads)
    shapes = []
    for part in (0.25, 0.5, 0.75, 1.0):
        shape = solve(profile, part * float(loads[-1]), around, tolerance=1e-5)
        shapes.append((shape.load_N, shape.x_m, shape.y_m))
    has_tip = np.isfinite(sweep.tip).any()
    return FlexCurve(
        load_N=sweep.load_N - rig[LOOP_TERMS] - rig[LOOP_TERMS + 2 :] @ drift_terms(track.elapsed),
        travel_m=sweep.travel_m,
        tip=sweep.tip - rig[LOOP_TERMS + 1] if has_tip else None,
        loading=sweep.side,
        model_load_N=loads,
        model_travel_m=across @ track.curve.travel,
        model_tip=across @ track.curve.tip,
        shapes=tuple(shapes),
    )


__all__ = ["STATIONS", "fit_flex"]
