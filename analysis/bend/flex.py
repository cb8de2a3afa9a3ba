"""A flex run, or several of one blank, to power, action and rigidity along the blank."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.bend.aftereffect import creep_held, set_after
from analysis.bend.by_hand import degrees_of_freedom
from analysis.bend.cautions import (
    at_tip,
    cautions,
    direct_cautions,
    drag_caution,
    misfits,
    set_caution,
    short_of_reference,
)
from analysis.bend.classes import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.bend.curve import SteeredCurve
from analysis.bend.direct import load_read, small_centre_read
from analysis.bend.elastica import Surroundings, solve
from analysis.bend.family import SIZE
from analysis.bend.fit import Fit
from analysis.bend.profile import Profile
from analysis.bend.rating import Ratings, carried_part, even_load, ratings_of, small_load_centre
from analysis.bend.result import Direct, FlexCurve, FlexResult, Station
from analysis.bend.runs import (
    fit_runs,
    of_a_blank,
    refuse_two_blanks,
    screened,
    speaks_for_all,
    usual_taper,
)
from analysis.bend.side import Planes, to_the_mean
from analysis.bend.track import LOOP_TERMS, RIG_TERMS, drift_terms, loop_terms
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share, coverage_factor
from analysis.readings import FlexReadings, Floats

STATIONS = 21
"""Places along the blank where the rigidity is reported."""
_ONE_WAY = 0.01
"""95 % half-width of the reference load, relative, where loading and unloading cannot be told apart: half of
a hysteresis of 2 %, which few blanks exceed (common practice, no source)."""
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
    refuse_two_blanks(runs)
    main = speaks_for_all(runs)
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
    sweeps = [screened(run, at) for at, run in enumerate(runs)]
    with of_a_blank(runs, sweeps):
        found = fit_runs(runs, sweeps, reach)
        blank = found.parameters[:SIZE]
        covariance = found.covariance[:SIZE, :SIZE]
        profile = _profile(found, free)
        at_free = ratings_of(found.family, blank, covariance, free, usual_taper(free))
        at_rated = at_free
        if rated != free or cut_tip_m:
            at_rated = ratings_of(found.family, blank, covariance, rated, usual_taper(rated), cut_tip_m)
        if not all(np.isfinite(ratings.changes).all() for ratings in (at_free, at_rated)):
            raise FloatingPointError("a rating is not finite")
        drawn = _curve(found, main, profile) if curve else None
        curved = found.tracks[main].curve
        stays = set_after(sweeps[main], curved, runs[main].load_after_N)
        creep = creep_held(runs[main], curved, float(np.max(sweeps[main].load_N)))
    dof = max(4.0, float(sum(sweep.load_N.size for sweep in sweeps)) - SIZE)
    if all(sweep.by_hand for sweep in sweeps):
        dof = degrees_of_freedom(sweeps)
    changes = _systematic_changes(runs, found)
    warnings = [
        *said,
        *cautions(runs, sweeps, rated + cut_tip_m, free, planes),
        *misfits(found),
        *drag_caution(found),
    ]
    warnings += set_caution(stays, runs[main].load_after_N, 1.0 / at_free.value.initial_stiffness_N_per_m)

    one_way = not any(sweep.both_ways for sweep in sweeps)
    load = _estimate(found, at_rated, _LOAD, dof, changes)
    centre = _estimate(found, at_rated, _CENTRE, dof, changes)
    if rated + cut_tip_m > free * (1.0 + 1e-9):
        ends = free, rated + cut_tip_m
        load = _parted(load, carried_part(found.family, covariance, at_rated.gradient(_LOAD), *ends))
        centre = _parted(centre, carried_part(found.family, covariance, at_rated.gradient(_CENTRE), *ends))
        warnings.append(
            f"What is carried on makes ± {load.shares[-1].ci95:.2g} N of the reference load's"
            f" ± {load.ci95:.2g} N."
        )
    load = load.with_shares(_length_shares(runs[main], at_rated, rated == free, load.value))
    stiff = _estimate(found, at_free, _STIFF, dof, changes)
    if one_way:
        load = load.with_shares([Share("one direction", _ONE_WAY * load.value)])
        stiff = stiff.with_shares([Share("one direction", _ONE_WAY * stiff.value)])
    load = load.scaled(mean).with_shares(_relative(side_shares, load.value * mean))
    stiff = stiff.scaled(mean).with_shares(_relative(side_shares, stiff.value * mean))
    direct = _direct(found, main, runs[main], at_free, profile, dof, mean, side_shares)
    warnings += direct_cautions(direct)
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
        largest_load_N=max(
            (float(np.max(each.load_N)) for run, each in zip(runs, sweeps, strict=True) if at_tip(run)),
            default=None,
        ),
        direct=direct,
        set_after=stays,
        creep=creep,
        hooks_m=tuple(run.free_length_m if run.station_m is None else run.station_m for run in runs),
    )


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
    for track, response in zip(found.tracks, found.responses, strict=True):
        if isinstance(track.curve, SteeredCurve):
            across = track.curve.matrix(track.loads)
            for cause, travel, tip in track.curve.moved_by(found.parameters[:SIZE]):
                shift = response[1] @ (across @ travel) + response[2] @ (across @ tip)
                changes.append((cause, -shift[:SIZE]))
    return changes


def _estimate(
    found: Fit, ratings: Ratings, which: int, dof: float, changes: Sequence[tuple[str, Floats]]
) -> Estimate:
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
    noise = float(found.noise(ratings.gradient(which))[0])
    return Estimate(value, noise * unit, dof).with_shares(shares)


def _direct(
    found: Fit,
    main: int,
    run: FlexReadings,
    at_free: Ratings,
    profile: Profile,
    dof: float,
    mean: float,
    side: Sequence[tuple[str, float]],
) -> Direct | None:
    """Load and bend centre from the readings alone, and the model's, both for the free length.

    What the fitted curve's load at the bend differs from the blank's reference load is the blank's own
    weight; the load that was read is brought to the same by that difference. On a rig that turns the pull
    the reference load is not among the readings.
    """
    if not at_tip(run) or run.pulled_by is not None:
        return None
    model = at_free.value.reference_load_N
    read = load_read(found, main, run.free_length_m)
    load = None
    if read is not None:
        load = replace(read[0], value=read[0].value + model - read[1])
        scales = (
            ("load calibration", run.rig.load_scale_ci95, 1.0),
            ("travel calibration", run.rig.travel_scale_ci95, at_free.value.load_exponent),
        )
        shares = [Share(why, load.value * size * half, shared=True) for why, half, size in scales if half]
        if not found.tracks[main].sweep.both_ways:
            shares.append(Share("one direction", _ONE_WAY * load.value))
        load = load.with_shares([*shares, *_length_shares(run, at_free, True, load.value)])
        load = load.scaled(mean).with_shares(_relative(side, load.value * mean))
    by_model = Estimate(model, float(found.noise(at_free.gradient(_LOAD))[0]) * model, dof).scaled(mean)
    return Direct(
        load, by_model, small_centre_read(found, main, run.free_length_m), small_load_centre(profile)
    )


def _parted(estimate: Estimate, part: float) -> Estimate:
    """Show the part of the noise's variance that comes from the length carried on as a share of its own."""
    carried = Share("carried length", coverage_factor(estimate.dof) * estimate.noise * math.sqrt(part))
    rest = Estimate(
        estimate.value, estimate.noise * math.sqrt(1.0 - part), estimate.dof, estimate.shares, estimate.reason
    )
    return replace(rest, shares=(*rest.shares, carried))


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
    errors = found.noise(gradient)
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
        load = part * float(loads[-1])
        if isinstance(track.curve, SteeredCurve):
            shapes.append((load, *track.curve.shape(profile, load)))
            continue
        shape = solve(profile, load, around, tolerance=1e-5)
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
        pull_turns=isinstance(track.curve, SteeredCurve),
    )


__all__ = ["STATIONS", "fit_flex"]
