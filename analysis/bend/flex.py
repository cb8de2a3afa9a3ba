"""A flex run, or several of one blank, to power, action and rigidity along the blank."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.bend.aftereffect import creep_held, set_after
from analysis.bend.by_hand import degrees_of_freedom
from analysis.bend.cautions import (
    cautions,
    direct_cautions,
    drag_caution,
    misfits,
    set_caution,
    short_of_reference,
)
from analysis.bend.classes import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.bend.curve import SteeredCurve
from analysis.bend.direct import read_directly
from analysis.bend.elastica import Surroundings, solve
from analysis.bend.family import SIZE
from analysis.bend.fit import Fit
from analysis.bend.profile import Profile
from analysis.bend.rating import CENTRE, LOAD, STIFFNESS, Ratings, carried_part, even_load, ratings_of
from analysis.bend.result import Creep, FlexCurve, FlexResult, Station
from analysis.bend.runs import (
    fit_runs,
    of_a_blank,
    refuse_two_blanks,
    screened,
    speaks_for_all,
    usual_taper,
)
from analysis.bend.screen import Sweep, at_tip
from analysis.bend.shares import (
    Planes,
    Side,
    at_the_mean,
    length_shares,
    one_direction,
    rated,
    scale_changes,
)
from analysis.bend.track import LOOP_TERMS, RIG_TERMS, drift_terms, loop_terms
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share, coverage_factor
from analysis.plausible import Doubt, doubted_length, doubted_load
from analysis.readings import FlexReadings, Floats

STATIONS = 21
"""Places along the blank where the rigidity is reported."""
_LEAST_DOF = 4.0
"""Degrees of freedom behind a rating of few readings: the noise's prior counts for about as many (ours)."""


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
    power = _Class(power_bands, None if label_power is None else power_bands.word(label_power, "power"))
    action = _Class(action_bands, None if label_action is None else action_bands.word(label_action, "action"))
    refuse_two_blanks(runs)
    main = speaks_for_all(runs)
    lengths = _Lengths.of(runs[main].free_length_m, rated_length_m, cut_tip_m, cut_butt_m)
    for run in runs:
        _refuse(doubted_length(run.free_length_m))
    result = _told(_bent(runs, main, lengths, planes, curve=curve), power, action)
    if result.reference_load is not None and rated_length_m is None:
        _refuse(doubted_load(result.reference_load.value))
    return result


def _refuse(doubt: Doubt | None) -> None:
    """Refuse what no blank has, with the likely unit."""
    if doubt is not None:
        doubt.refuse()


@dataclass(frozen=True, slots=True)
class _Class:
    """Class words, and the one that the maker's label claims."""

    bands: Bands
    word: str | None

    def probability(self, of: Estimate) -> float | None:
        """Probability that the label's word is true; None without one."""
        return None if self.word is None else self.bands.call(of).probability(self.word)


@dataclass(frozen=True, slots=True)
class _Lengths:
    """What was measured and what is rated, m."""

    free: float
    rated: float
    cut_tip: float

    @classmethod
    def of(cls, free: float, rated: float | None, cut_tip: float, cut_butt: float) -> _Lengths:
        """From what was asked for."""
        cut = cut_tip + cut_butt
        if not 0.0 <= cut < free:
            raise ReadingsError("nothing would be left of the blank", "cut less")
        length = free - cut if rated is None else rated
        if not (math.isfinite(length) and length > 0.0):
            raise ValueError("the rated length is a positive number")
        return cls(free, length, cut_tip)

    @property
    def from_tip(self) -> float:
        """Where the rated blank ends, from the tip of the one that was measured."""
        return self.rated + self.cut_tip

    @property
    def carried_on(self) -> bool:
        """True if more is rated than was measured."""
        return self.from_tip > self.free * (1.0 + 1e-9)


@dataclass(frozen=True, slots=True)
class _Bent:
    """A blank fitted and rated, before shares and words."""

    runs: list[FlexReadings]
    sweeps: list[Sweep]
    main: int
    """The run that speaks for the rest."""
    lengths: _Lengths
    side: Side
    found: Fit
    profile: Profile
    """Rigidity along the blank, of the side that was measured."""
    at_free: Ratings
    at_rated: Ratings
    dof: float
    changes: list[tuple[str, Floats]]
    """Change of the blank's parameters for each scale's half-width."""
    curve: FlexCurve | None
    stays: Estimate | None
    """Travel left after unloading, m."""
    creep: Creep | None
    warnings: list[str]


def _bent(
    given: Sequence[FlexReadings], main: int, lengths: _Lengths, planes: Planes | None, *, curve: bool
) -> _Bent:
    """Look the runs over, fit them together and rate the blank."""
    free, rated_m = lengths.free, lengths.rated
    reach = max(lengths.from_tip, *(run.free_length_m for run in given))
    runs, side, said = at_the_mean(given, main, planes)
    sweeps = [screened(run, at) for at, run in enumerate(runs)]
    with of_a_blank(runs, sweeps):
        found = fit_runs(runs, sweeps, reach)
        blank = found.parameters[:SIZE]
        covariance = found.covariance[:SIZE, :SIZE]
        profile = _profile(found, free)
        at_free = ratings_of(found.family, blank, covariance, free, usual_taper(free))
        at_rated = at_free
        if rated_m != free or lengths.cut_tip:
            at_rated = ratings_of(
                found.family, blank, covariance, rated_m, usual_taper(rated_m), lengths.cut_tip
            )
        if not all(np.isfinite(ratings.changes).all() for ratings in (at_free, at_rated)):
            raise FloatingPointError("a rating is not finite")
        drawn = _curve(found, main, profile) if curve else None
        curved = found.tracks[main].curve
        stays = set_after(sweeps[main], curved, runs[main].load_after_N)
        creep = creep_held(runs[main], curved, float(np.max(sweeps[main].load_N)))
    slack = 1.0 / at_free.value.initial_stiffness_N_per_m
    warnings = [
        *said,
        *cautions(runs, sweeps, lengths.from_tip, free, planes),
        *misfits(found),
        *drag_caution(found),
        *set_caution(stays, runs[main].load_after_N, slack),
    ]
    changes = scale_changes(runs, found)
    return _Bent(
        runs, sweeps, main, lengths, side, found, profile, at_free, at_rated, _dof(sweeps), changes,
        drawn, stays, creep, warnings,
    )  # fmt: skip


def _dof(sweeps: Sequence[Sweep]) -> float:
    """Degrees of freedom behind the ratings."""
    if all(sweep.by_hand for sweep in sweeps):
        return degrees_of_freedom(sweeps)
    return max(_LEAST_DOF, float(sum(sweep.load_N.size for sweep in sweeps)) - SIZE)


def _told(bent: _Bent, power: _Class, action: _Class) -> FlexResult:
    """Put a fit into the result, with all shares of the half-widths."""
    found, main, runs, sweeps = bent.found, bent.main, bent.runs, bent.sweeps
    load, centre, carried = _rated(bent)
    stiff = rated(found, bent.at_free, STIFFNESS, bent.dof, bent.changes)
    if not any(sweep.both_ways for sweep in sweeps):
        stiff = stiff.with_shares([one_direction(stiff.value)])
    stiff = bent.side.to_the_mean(stiff)
    direct = read_directly(found, main, runs[main], bent.at_free, bent.profile, bent.dof, bent.side)
    return FlexResult(
        free_length_m=bent.lengths.free,
        rated_length_m=bent.lengths.rated,
        reference_load=load,
        even_blank_rigidity=load.scaled(bent.lengths.rated**2 / even_load()),
        bend_centre=centre,
        initial_stiffness=stiff,
        hysteresis=_hysteresis(found, main, bent.at_free.value.reference_load_N, bent.dof),
        power_class=power.bands.call(load),
        action_class=action.bands.call(centre),
        label_power_probability=power.probability(load),
        label_action_probability=action.probability(centre),
        rigidity=_stations(bent),
        extrapolated=short_of_reference(sweeps, runs),
        curve=bent.curve,
        warnings=(*bent.warnings, *carried, *direct_cautions(direct)),
        profile=_scaled(bent.profile, bent.side.factor),
        largest_load_N=max(
            (float(np.max(each.load_N)) for run, each in zip(runs, sweeps, strict=True) if at_tip(run)),
            default=None,
        ),
        direct=direct,
        set_after=bent.stays,
        creep=bent.creep,
        hooks_m=tuple(run.free_length_m if run.station_m is None else run.station_m for run in runs),
    )


def _rated(bent: _Bent) -> tuple[Estimate, Estimate, list[str]]:
    """Reference load and bend centre at the rated length, and a word where the rigidity is carried on."""
    found, ratings, lengths, run = bent.found, bent.at_rated, bent.lengths, bent.runs[bent.main]
    load = rated(found, ratings, LOAD, bent.dof, bent.changes)
    centre = rated(found, ratings, CENTRE, bent.dof, bent.changes)
    said = []
    if lengths.carried_on:
        load, centre = (
            _parted(
                one,
                carried_part(
                    found.family,
                    found.covariance[:SIZE, :SIZE],
                    ratings.gradient(which),
                    lengths.free,
                    lengths.from_tip,
                ),
            )
            for one, which in ((load, LOAD), (centre, CENTRE))
        )
        said = [
            f"What is carried on makes ± {load.shares[-1].ci95:.2g} N of the reference load's"
            f" ± {load.ci95:.2g} N."
        ]
    load = load.with_shares(length_shares(run, ratings, lengths.rated == lengths.free, load.value))
    if not any(sweep.both_ways for sweep in bent.sweeps):
        load = load.with_shares([one_direction(load.value)])
    load = bent.side.to_the_mean(load)
    error = run.rig.free_length_ci95_m
    if error is not None:
        centre = centre.with_shares([Share("free length", centre.value * error / lengths.rated)])
    return load, centre, said


def _parted(estimate: Estimate, part: float) -> Estimate:
    """Show the part of the noise's variance that comes from the length carried on as a share of its own."""
    carried = Share("carried length", coverage_factor(estimate.dof) * estimate.noise * math.sqrt(part))
    rest = Estimate(
        estimate.value, estimate.noise * math.sqrt(1.0 - part), estimate.dof, estimate.shares, estimate.reason
    )
    return replace(rest, shares=(*rest.shares, carried))


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


def _stations(bent: _Bent) -> tuple[Station, ...]:
    """Rigidity at evenly spaced places from the chuck's face to the tip."""
    found, length = bent.found, bent.lengths.free
    s = np.linspace(0.0, length, STATIONS)
    base, gradient = found.family.linear(length - s)
    EI = bent.side.factor * np.exp(base + found.parameters[:SIZE] @ gradient)
    errors = found.noise(gradient)
    stations = []
    for at, place in enumerate(s):
        shares = [
            Share(cause, abs(float(change @ gradient[:, at])) * float(EI[at]), shared=True)
            for cause, change in bent.changes
        ]
        value = Estimate(float(EI[at]), float(EI[at] * errors[at]), bent.dof).with_shares(shares)
        value = bent.side.widened(value, float(EI[at]))
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
        shapes=tuple(shapes),
        pull_turns=isinstance(track.curve, SteeredCurve),
    )


__all__ = ["STATIONS", "fit_flex"]
