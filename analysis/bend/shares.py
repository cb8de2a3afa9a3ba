"""Systematic parts of a flex result: what no number of readings averages away.

A flex run bends one side of the blank, and a side's stiffness is k·[1 + ½A·cos 2(θ − φ)]: an anisotropy A of
4 % moves the reference load by up to 2 % either way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.angles import HALF_TURN, difference
from analysis.bend.curve import SteeredCurve
from analysis.bend.family import SIZE
from analysis.bend.fit import Fit
from analysis.bend.rating import CENTRE, Ratings
from analysis.estimate import Estimate, Share
from analysis.readings import FlexReadings, Floats

_ONE_WAY = 0.01
"""95 % half-width of a load, relative, where loading and unloading cannot be told apart: half of a hysteresis
of 2 %, which few blanks exceed (common practice, no source)."""
_OF_THE_LENGTH = 3.0
"""Rigidity goes with the third power of the length: y = P·L³/(3·EI), a cantilever's tip under its load."""

_ONE_SIDE = (
    "This rates the side that faced the pull: an anisotropy of 4 % moves the reference load by up to 2 %. "
    "The roll run of the same blank settles it."
)


@dataclass(frozen=True, slots=True)
class Planes:
    """What a roll run of the same blank tells about its sides."""

    anisotropy: Estimate
    """(k_max − k_min)/k_mean, as a fraction."""
    stiff_plane: Estimate | None
    """Stiff plane, rad; None where none was found."""


def to_the_mean(
    side: float | None, planes: Planes | None
) -> tuple[float, tuple[tuple[str, float], ...], tuple[str, ...]]:
    """Work out the factor from a side to the mean over the roll.

    Parameters
    ----------
    side : float or None
        Blank angle that faced the pull, rad.
    planes : Planes or None
        From the roll run of the same blank, where there is one.

    Returns
    -------
    factor : float
        Mean over the roll = factor × side.
    shares : tuple of (cause, relative 95 % half-width)
        What is not known about that.
    warnings : tuple of str
        What the builder should know.

    Examples
    --------
    >>> sure = Estimate(0.04, 0.0)
    >>> round(to_the_mean(0.0, Planes(sure, Estimate(0.0, 0.0)))[0], 4)
    0.9804
    """
    if planes is None:
        return 1.0, (), (_ONE_SIDE,)
    size = planes.anisotropy
    if planes.stiff_plane is None or side is None:
        half = 0.5 * (abs(size.value) + size.ci95)
        why = "The run does not say which side faced the pull, so it is rated as it is."
        return 1.0, (("side", half),), (why,) if side is None else ()
    away = 2.0 * difference(side, planes.stiff_plane.value, HALF_TURN)
    doubt = math.hypot(
        0.5 * size.ci95 * math.cos(away), size.value * math.sin(away) * planes.stiff_plane.ci95
    )
    return 1.0 / (1.0 + 0.5 * size.value * math.cos(away)), (("side", doubt),), ()


def at_the_mean(
    runs: Sequence[FlexReadings], main: int, planes: Planes | None
) -> tuple[list[FlexReadings], Side, tuple[str, ...]]:
    """Bring the loads of all runs to the side that one of them bent.

    Parameters
    ----------
    runs : sequence of FlexReadings
        Of one blank, each bent toward a side of its own.
    main : int
        The run that speaks for the rest.
    planes : Planes or None
        From the roll run of the same blank, where there is one.

    Returns
    -------
    runs : list of FlexReadings
        With their loads as the main run's side would show them.
    side : Side
        From there to the mean over the roll.
    warnings : tuple of str
        What the builder should know.
    """
    sides = [to_the_mean(run.roll, planes) for run in runs]
    mean, _, said = sides[main]
    shares = max((shares for _, shares, _ in sides), key=lambda shares: sum(part for _, part in shares))
    brought = [
        replace(run, load_N=run.load_N * (factor / mean))
        for run, (factor, _, _) in zip(runs, sides, strict=True)
    ]
    return brought, Side(mean, shares), said


@dataclass(frozen=True, slots=True)
class Side:
    """From the side that faced the pull to the mean over the roll."""

    factor: float
    """Mean over the roll = factor × side."""
    shares: tuple[tuple[str, float], ...]
    """Causes and relative 95 % half-widths of what is not known about that."""

    def to_the_mean(self, estimate: Estimate) -> Estimate:
        """Bring what the side showed to the mean over the roll."""
        return self.widened(estimate.scaled(self.factor), estimate.value * self.factor)

    def widened(self, estimate: Estimate, value: float) -> Estimate:
        """An estimate with its shares, for a value of that size."""
        return estimate.with_shares(Share(cause, part * abs(value)) for cause, part in self.shares)


def scale_changes(runs: Sequence[FlexReadings], found: Fit) -> list[tuple[str, Floats]]:
    """Change of the blank's parameters for each scale's half-width, shape (SIZE,), by cause."""
    changes = []
    for cause, name, channel in (
        ("load calibration", "load_scale_ci95", 0),
        ("travel calibration", "travel_scale_ci95", 1),
    ):
        total = np.zeros(SIZE)
        for run, track, response in zip(runs, found.tracks, found.responses, strict=True):
            stated = getattr(run.rig, name)
            if stated:
                # A scale off by ε moves every reading by ε times itself; the parameters answer linearly.
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


def rated(
    found: Fit, ratings: Ratings, which: int, dof: float, changes: Sequence[tuple[str, Floats]]
) -> Estimate:
    """One rating with its noise (the family's own error in it) and the shares of the scales."""
    value = ratings.of(which)
    unit = 1.0 if which == CENTRE else value  # the other two are rated as logarithms
    shares = [
        Share(cause, abs(ratings.effect(change, which)) * unit, shared=True) for cause, change in changes
    ]
    noise = float(found.noise(ratings.gradient(which))[0])
    return Estimate(value, noise * unit, dof).with_shares(shares)


def one_direction(value: float) -> Share:
    """Share of a hysteresis that was not seen, in a load."""
    return Share("one direction", _ONE_WAY * value)


def length_shares(run: FlexReadings, ratings: Ratings, as_measured: bool, load: float) -> list[Share]:
    """Share of the free length's half-width in the reference load.

    Rated as measured, only the travel of the reference bend moves with the length; rated at another length,
    the rigidity that was found goes with the third power of the length.
    """
    error = run.rig.free_length_ci95_m
    if error is None:
        return []
    power = ratings.value.load_exponent if as_measured else _OF_THE_LENGTH
    return [Share("free length", load * power * error / run.free_length_m)]
