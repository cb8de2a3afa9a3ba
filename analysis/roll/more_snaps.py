"""More snaps than a hand was told of: a third one and whose fault that is, and what comes on bending further.

A blank that bends in proportion has one snap or two, never three (see `analysis.roll.snaps`): its energy has
one and two waves a turn. A third minimum needs an energy of three waves a turn of about half the 2-per-turn
one (0.45 to 0.67 of it, down to a sixth where bow and stiffness oppose each other). Then the rig (a chuck of
three jaws), the hand (a grip changed three times a turn) or a section that flattens is at work. What the hand
did does not repeat from pass to pass; what turns with the chuck comes off in other mounts; the rest is the
blank's.

The load is the energy's derivative by travel. A part of the load that grows as d^(n−1) comes from an energy
that grows as d^n, so U₃ = d·F₃/n: n = 1 for a fixed force, 2 for a stiffness, 3 for a section that flattens
in proportion to the bend.

The stiffness planes' part of the energy grows with the square of the travel, the bow's part with the travel
itself, so a bow that rules a slightly bent blank loses to the planes when it is bent further.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from analysis.angles import TURN, difference, wrap
from analysis.readings import Floats
from analysis.roll.estimator import Fitted
from analysis.roll.model import core_at
from analysis.roll.result import RollResult, ThirdCause, ThirdSnap
from analysis.roll.sift import Sifted
from analysis.roll.snaps import rests
from analysis.roll.tensor import SIZE, Blank, Matrix, RollEnergy, energy_of

_GRID = 720
"""Angles at which minima are looked for, half a degree apart: closer ones no hand tells apart."""
_FELT = 0.05
"""A minimum held by less than this of what holds the firmest is no snap to a hand."""
_SURE = 0.01
"""Level of the two tests: that there are three waves at all, and that they do not repeat."""
_GROWTH = (1.0, 2.0, 3.0)
"""Powers of the travel with which the energy of three waves may grow."""


@dataclass(frozen=True, slots=True)
class ThirdWave:
    """The part of three waves a turn in the reading."""

    pair: Floats
    """Its cosine and sine coefficients, N (m under a hanging weight), shape (2,)."""
    spread: Matrix
    """Their covariance, shape (2, 2)."""
    dof: float
    """Degrees of freedom behind it."""
    cause: ThirdCause
    """What it turns with."""

    @property
    def present(self) -> bool:
        """True if noise alone makes as much less than one time in a hundred (F test with 2 and `dof`)."""
        if not self.pair.any():
            return False
        statistic = 0.5 * float(self.pair @ np.linalg.solve(self.spread, self.pair))
        return float(fdtrc(2.0, min(self.dof, 1e9), statistic)) < _SURE


def third_wave(sifted: Sifted, fitted: Fitted) -> ThirdWave:
    """Take the three waves a turn of one run, and tell whether they repeat from pass to pass."""
    at = slice(fitted.columns.waves, fitted.columns.waves + 2)
    wave = ThirdWave(fitted.values[at], fitted.values_spread[at, at], fitted.dof, "unknown")
    if not wave.present or _repeats(sifted, fitted, wave):
        return wave
    return ThirdWave(wave.pair, wave.spread, wave.dof, "hand")


def third_snap(wave: ThirdWave, energy: RollEnergy, reach: float) -> ThirdSnap | None:
    """Work out whether the three waves are enough for a third snap.

    Parameters
    ----------
    wave : ThirdWave
    energy : RollEnergy
        Of stiffness and bow.
    reach : float
        What turns the reading's part into energy: the held travel (m), or minus the hanging weight (N).

    Returns
    -------
    ThirdSnap or None
        None where there are no such waves, or too small ones.
    """
    if not wave.present:
        return None
    found = [_minima(energy, reach / growth * wave.pair) for growth in _GROWTH]
    three = [angles for angles in found if len(angles) >= 3]
    if not three:
        return None
    shown = found[1] if len(found[1]) >= 3 else three[0]
    return ThirdSnap(shown, len(three) == len(found), float(np.hypot(*wave.pair)), wave.cause)


def _minima(energy: RollEnergy, pair: Floats) -> tuple[float, ...]:
    """Minima that a hand would feel, of the energy with three waves added; rad, firmest first."""
    grid = np.linspace(0.0, TURN, _GRID, endpoint=False)
    level: Floats = energy(grid) + pair[0] * np.cos(3.0 * grid) + pair[1] * np.sin(3.0 * grid)
    before, after = np.roll(level, 1), np.roll(level, -1)
    low = np.flatnonzero((level < before) & (level <= after))
    high = np.flatnonzero((level > before) & (level >= after))
    if not low.size or not high.size:
        return ()
    next_crest = np.searchsorted(high, low) % high.size
    held = np.minimum(level[high[next_crest]], level[high[next_crest - 1]]) - level[low]
    order = np.argsort(-held)
    return tuple(float(wrap(grid[low[i]])) for i in order if held[i] >= _FELT * held.max())


def _repeats(sifted: Sifted, fitted: Fitted, wave: ThirdWave) -> bool:
    """Tell whether the three waves are alike in both directions (in both halves of a one-way run).

    Each pass gives its own three waves. They do not repeat where they differ by more than noise (a pass is
    half of the readings, so that the difference has four times the variance of the mean) and by more than
    they have in common.
    """
    clean = ~fitted.spike
    roll = sifted.roll[clean]
    beside = fitted.values[SIZE:] @ fitted.columns.rows[SIZE:]
    left = (sifted.reading - core_at(sifted.roll, sifted.travel, fitted.kind, fitted.core) - beside)[clean]
    if sifted.two_way:
        passes = [sifted.direction[clean] > 0.0, sifted.direction[clean] < 0.0]
    elif sifted.turns >= 2.0:
        first = np.arange(left.size) < left.size // 2
        passes = [first, ~first]
    else:
        return True
    own = []
    for chosen in passes:
        design = np.column_stack(
            [np.ones(int(chosen.sum())), np.cos(3.0 * roll[chosen]), np.sin(3.0 * roll[chosen])]
        )
        own.append(np.linalg.lstsq(design, left[chosen], rcond=None)[0][1:])
    apart = own[0] - own[1]
    statistic = 0.5 * float(apart @ np.linalg.solve(4.0 * wave.spread, apart))
    noise_alone = float(fdtrc(2.0, min(wave.dof, 1e9), statistic))
    return noise_alone >= _SURE or float(np.hypot(*apart)) < 2.0 * float(np.hypot(*wave.pair))


REFERENCE = 0.25
"""Travel at the reference bend over the free length."""


@dataclass(frozen=True, slots=True)
class Stage:
    """The snaps at one travel."""

    travel_m: float
    """How far the tip is bent, m."""
    angles: tuple[float, ...]
    """Snap positions, rad, firmest first: one or two."""
    barriers: tuple[float, ...]
    """Energy that holds each, J."""


def blank_of(result: RollResult) -> Blank | None:
    """Rebuild stiffness and bow from a result; None where it could not tell the stiffness."""
    if result.stiffness is None:
        return None
    k = result.stiffness.value
    delta, plane = 0.0, 0.0
    if result.plane_found and result.stiff_plane is not None and result.anisotropy is not None:
        delta, plane = 0.5 * k * result.anisotropy.value, result.stiff_plane.value
    d_cos, d_sin = delta * math.cos(2.0 * plane), delta * math.sin(2.0 * plane)
    x = y = 0.0
    if result.bow is not None and result.bow_direction is not None:
        x = result.bow.value * math.cos(result.bow_direction.value)
        y = result.bow.value * math.sin(result.bow_direction.value)
    # The bow's force is the stiffness tensor times the bow.
    return Blank(k, (k + d_cos) * x + d_sin * y, d_sin * x + (k - d_cos) * y, d_cos, d_sin)


def stages(result: RollResult, travels_m: Sequence[float]) -> tuple[Stage, ...]:
    """Work out the snaps at several travels; none where neither planes nor bow are known."""
    blank = blank_of(result)
    if blank is None or (blank.delta == 0.0 and blank.f_cos == blank.f_sin == 0.0):
        return ()
    found = []
    for travel in travels_m:
        here = rests(energy_of(blank, travel))
        found.append(Stage(travel, tuple(rest.angle for rest in here), tuple(rest.barrier for rest in here)))
    return tuple(found)


def second_snap_travel(result: RollResult) -> float | None:
    """Travel beyond which the blank has two snaps, m; None where it never has (no plane was found).

    With h = f/(2·d·Δ) and ψ between bow force and stiff plane there are two snaps inside the astroid
    |h·cos ψ|^⅔ + |h·sin ψ|^⅔ < 1 (Stoner & Wohlfarth 1948, for the same energy), hence
    d = f·(|cos ψ|^⅔ + |sin ψ|^⅔)^{3/2} / (2·Δ).
    """
    blank = blank_of(result)
    if blank is None or blank.delta == 0.0:
        return None
    force = math.hypot(blank.f_cos, blank.f_sin)
    apart = difference(math.atan2(blank.f_sin, blank.f_cos), blank.stiff_plane)
    cosine, sine = abs(math.cos(apart)), abs(math.sin(apart))
    edge = math.pow(math.pow(cosine, 2.0 / 3.0) + math.pow(sine, 2.0 / 3.0), 1.5)
    return force * edge / (2.0 * blank.delta)
