"""Three waves a turn: what could make a hand feel a third snap, and whose fault that is.

A blank that bends in proportion has one snap or two, never three (see `analysis.roll.snaps`): its energy has
one and two waves a turn. A third minimum needs an energy of three waves a turn of about half the 2-per-turn
one (0.45 to 0.67 of it, down to a sixth where bow and stiffness oppose each other). Then the rig (a chuck of
three jaws), the hand (a grip changed three times a turn) or a section that flattens is at work. What the hand
did does not repeat from pass to pass; what turns with the chuck comes off in other mounts; the rest is the
blank's.

The load is the energy's derivative by travel. A part of the load that grows as d^(n−1) comes from an energy
that grows as d^n, so U₃ = d·F₃/n: n = 1 for a fixed force, 2 for a stiffness, 3 for a section that flattens
in proportion to the bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from analysis.angles import TURN, wrap
from analysis.readings import Floats
from analysis.roll.estimator import Fitted
from analysis.roll.model import core_at
from analysis.roll.result import ThirdCause, ThirdSnap
from analysis.roll.sift import Sifted
from analysis.roll.tensor import SIZE, Matrix, RollEnergy

_GRID = 720
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
