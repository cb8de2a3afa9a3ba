"""Readings by hand: a short table of clock positions, each read at rest, to the blank's five numbers.

The model is that of a roll run, y(θ) = X(θ)·b + noise, with nothing beside its five columns: at rest there
is no lag, no friction that goes with the hand, and no clock for a drift. So it is plain least squares,

    b = (XᵀX)⁻¹·Xᵀy,    s² = (ν₀·s₀² + |y − X·b|²)/(ν₀ + n − p),    cov b = s²·(XᵀX)⁻¹

with Student's t of ν₀ + n − p degrees of freedom: the normal model with an inverse-χ² prior on the noise
(Gelman et al., Bayesian Data Analysis, ch. 3), whose size s₀ is what a ruler, a scale and a protractor do.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from analysis.angles import TURN
from analysis.errors import ReadingsError
from analysis.readings import Floats, RollReadings, Steps, refuse_unbelievable
from analysis.roll import model
from analysis.roll.answers import plane_p_value
from analysis.roll.estimator import Fitted
from analysis.roll.model import Kind
from analysis.roll.regression import least_squares
from analysis.roll.scatter import Scatter
from analysis.roll.sift import Sifted, measured_of
from analysis.roll.tensor import SIZE, to_compliance

FEWEST = 8
"""Positions from which on an answer is given: five numbers and three left over for the noise."""
_MOST = 72
"""A table by hand has no more positions than every 5°."""
_STEP = math.radians(5.0)
"""No hand rolls so far between two readings of a rig that reads while it turns: 80 readings a second would
be 400 degrees a second."""
_SAME = math.radians(2.0)
"""Positions nearer than this are one: no hand sets a clock position closer, and repeats are meant."""
_WIDE = math.radians(75.0)
"""A gap wider than this between two positions is a part of the turn that was not read (every second hour of a
dial leaves 60°)."""
_PLATEAU = 3
"""Readings of a logger at one stop; fewer were taken on the way."""
STEP_NOISE = 0.4
"""Standard deviation of a reading by hand over its step: rounding alone makes 1/√12 = 0.29, the eye and the
hand the rest (ours, chosen on benchmarks/by_hand.py)."""
PRIOR_READINGS = 0.5
"""How many readings the prior on the noise counts for (ours, chosen on benchmarks/by_hand.py: with more, a
table that is twice as rough as its ruler gets half-widths that are too narrow)."""
_LEAST_NOISE = 0.1
"""A table whose readings lie together closer than this part of what ruler or scale can do is luck."""
_SLIP = 0.01
"""Probability, over the whole table, of calling a good reading a slip."""
_SLIP_DOF = 4
"""Degrees of freedom of the test for a slip: what the other positions leave (ours)."""
_LINEARISATIONS = 8
"""Iterations for a free tip (Newton: three are enough)."""


def table_of(readings: RollReadings) -> Sifted | None:
    """Make a table by hand ready for its fit; None where the readings were taken while the blank turned.

    A table is told by the run's own word, else by few readings that stand far apart. Stops of a logger, many
    readings at each of a few angles, are averaged to one reading a stop.

    Raises
    ------
    ReadingsError
        For a size that no bench reads, or a travel that is not positive.
    """
    reading, scale = measured_of(readings)
    known = np.isfinite(readings.roll) & np.isfinite(reading) & np.isfinite(scale)
    rows = np.flatnonzero(known)
    if rows.size == 0:
        return None
    roll = readings.roll[rows]
    stops = [np.array([at]) for at in range(rows.size)]
    if rows.size > _MOST:
        found = _stops(roll, reading[rows], sure=readings.at_rest)
        if found is None:
            return None
        stops = found
    elif not readings.at_rest and not _set_one_by_one(roll):
        return None
    hanging = readings.held_load_N is not None
    refuse_unbelievable(readings.roll, "angle", "rad")
    refuse_unbelievable(reading, "travel" if hanging else "load", "m" if hanging else "N")
    refuse_unbelievable(scale, "weight" if hanging else "travel", "N" if hanging else "m")
    slack = np.flatnonzero(scale[rows] <= 0.0)
    if slack.size:
        raise ReadingsError(
            "the travel is not positive", "bend the blank before rolling it", row=int(rows[slack[0]])
        )
    turned = np.array([roll[stop[0]] + float(np.mean(_near(roll[stop], roll[stop[0]]))) for stop in stops])
    one = np.array([rows[stop].mean() for stop in stops])
    distinct = positions(turned)
    return Sifted(
        time=one - one[0],
        roll=turned,
        reading=np.array([reading[rows[stop]].mean() for stop in stops]),
        travel=np.array([scale[rows[stop]].mean() for stop in stops]),
        direction=np.ones(turned.size),
        two_way=True,  # at rest friction holds against no direction
        coverage=_coverage(turned),
        turns=1.0,
        warnings=(),
        why_not=_why_not(distinct, _coverage(turned)),
    )


def positions(roll: Floats) -> int:
    """Count the positions of a table; repeats and what lies within 2° count once.

    Examples
    --------
    >>> positions(np.radians([0.0, 90.0, 180.0, 359.5, 90.5]))
    3
    """
    wrapped = np.sort(np.mod(roll, TURN))
    gaps = np.diff(wrapped, append=wrapped[0] + TURN)
    return max(1, int(np.count_nonzero(gaps > _SAME)))


def _why_not(distinct: int, coverage: float) -> str:
    if distinct < FEWEST:
        more = FEWEST - distinct
        return (
            f"Cannot tell from {distinct} positions: read {more} more, {FEWEST} at least, spread round the"
            " turn (12 hours of a dial are better)."
        )
    if coverage * TURN < math.radians(120.0):
        return (
            f"Cannot tell: the positions cover {360.0 * coverage:.0f}° of the turn. Read at positions all"
            " round it."
        )
    return ""


def _near(roll: Floats, at: float) -> Floats:
    return np.asarray(np.mod(roll - at + 0.5 * TURN, TURN) - 0.5 * TURN)


def _set_one_by_one(roll: Floats) -> bool:
    """Tell whether a blank was set to each angle by itself: few readings, most of them far apart."""
    if roll.size < 2:
        return False
    step = np.abs(_near(roll[1:], 0.0) - _near(roll[:-1], 0.0))
    step = np.minimum(step, TURN - step)
    moved = step[step > _SAME]
    return moved.size >= 2 and float(np.median(moved)) >= _STEP


def _stops(roll: Floats, reading: Floats, *, sure: bool) -> list[NDArray[np.intp]] | None:
    """Part a logger's readings into stops; None where the blank did not stand still most of the time.

    A sensor that sticks and jumps looks like stops, but the reading goes on meanwhile: unless the run says
    that it was taken at rest, the halves of a stop must agree in most of them.
    """
    step = np.abs(_near(np.diff(roll), 0.0))
    ends = np.flatnonzero(step > 0.5 * _SAME) + 1
    groups = [group for group in np.split(np.arange(roll.size), ends) if group.size >= _PLATEAU]
    groups = [group for group in groups if float(np.ptp(_near(roll[group], roll[group[0]]))) < _SAME]
    if not 2 <= len(groups) <= _MOST or sum(group.size for group in groups) < 0.6 * roll.size:
        return None
    if not sure and np.mean([_goes_on(reading[group]) for group in groups]) > 0.5:
        return None
    middle = np.array([roll[group[0]] for group in groups])
    return groups if _set_one_by_one(middle) else None


def _goes_on(reading: Floats) -> bool:
    """Tell whether a reading moves on within a stop: its halves differ by more than four standard errors."""
    half = reading.size // 2
    if half < 2:
        return False
    first, last = reading[:half], reading[-half:]
    error = math.sqrt((float(np.var(first, ddof=1)) + float(np.var(last, ddof=1))) / half)
    return abs(float(last.mean() - first.mean())) > 4.0 * error


def _coverage(roll: Floats) -> float:
    wrapped = np.sort(np.mod(roll, TURN))
    gaps = np.diff(wrapped, append=wrapped[0] + TURN)
    return float(1.0 - gaps[gaps > _WIDE].sum() / TURN)


def estimate(table: Sifted, kind: Kind, steps: Steps) -> Fitted:
    """Fit a table (see the module's text).

    Parameters
    ----------
    table : Sifted
        From `table_of`.
    kind : {"held", "free", "hanging"}
        What was held.
    steps : Steps
        What the readings were read to.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the positions do not determine the five numbers.
    """
    plain = replace(table, two_way=False)
    columns = model.columns(plain, kind)
    use = np.arange(SIZE if columns.zero is None else SIZE + 1)
    target = _free_target(plain, columns, use) if kind == "free" else table.reading
    # ĉ = (XᵀX)⁻¹·Xᵀy and σ̂² = (ν₀·σ₀² + rᵀr)/(ν₀ + n − k): what ruler and scale can do, σ₀, counts for ν₀.
    design = columns.rows[use].T
    size = np.sqrt(np.sum(design**2, axis=0))
    scaled = design / size
    if np.linalg.matrix_rank(scaled, tol=1e-4 * math.sqrt(table.roll.size)) < use.size:
        raise np.linalg.LinAlgError("the positions do not determine the columns")
    inverse = np.linalg.inv(scaled.T @ scaled)
    found = (inverse @ (scaled.T @ target)) / size
    left = target - design @ found
    free = table.roll.size - use.size
    expected = _expected_noise(table, kind, found[:SIZE], steps)
    dof = PRIOR_READINGS + free
    variance = (PRIOR_READINGS * expected**2 + float(left @ left)) / dof
    values = np.zeros(columns.rows.shape[0])
    spread = np.zeros((values.size, values.size))
    values[use] = found
    spread[np.ix_(use, use)] = variance * inverse / np.outer(size, size)
    core, core_spread = values[:SIZE], spread[:SIZE, :SIZE]
    numbers, numbers_spread = model.to_numbers(kind, core, core_spread)
    pair = model.plane_pair(kind)
    # The plane's test keeps to the table's own noise: its rate of false alarms is then that of the F test.
    own = max(float(left @ left) / free, (_LEAST_NOISE * expected) ** 2) / variance
    return Fitted(
        kind=kind,
        core=core,
        numbers=numbers,
        spread=numbers_spread,
        dof=dof,
        p_value=plane_p_value(core[pair], Scatter.of(own * core_spread[pair, pair], free)),
        values=values,
        values_spread=spread,
        columns=columns,
        harmonics=2,
        drift_order=0,
        leaks=(),
        noise=math.sqrt(variance),
        spike=np.zeros(table.roll.size, dtype=bool),
        memory=0.0,
    )


def _free_target(plain: Sifted, columns: model.Columns, use: NDArray[np.intp]) -> Floats:
    """Linearise a free tip's load about its own least-squares estimate; return what is to be fitted."""
    numbers = least_squares(model.columns(plain, "held").rows[:SIZE].T, plain.reading).values
    for _ in range(_LINEARISATIONS):
        target = model.linearise(columns, plain, to_compliance(numbers))
        compliance = least_squares(columns.rows[use].T, target).values
        numbers = model.to_numbers("free", compliance[:SIZE], np.zeros((SIZE, SIZE)))[0]
    return model.linearise(columns, plain, compliance[:SIZE])


def _expected_noise(table: Sifted, kind: Kind, core: Floats, steps: Steps) -> float:
    """Noise that ruler or scale and protractor make, in the reading's unit."""
    scale = float(table.travel.mean())
    turned = STEP_NOISE * steps.protractor_rad
    moved = model.core_at(table.roll + turned, scale, kind, core) - model.core_at(
        table.roll, scale, kind, core
    )
    own = STEP_NOISE * (steps.ruler_m if kind == "hanging" else steps.scale_N)
    return math.hypot(own, float(np.sqrt(np.mean(moved**2))))


def words(table: Sifted, fitted: Fitted) -> list[str]:
    """Say what a table rests on, and which reading looks like a slip."""
    hanging = fitted.kind == "hanging"
    noise = f"{1e3 * fitted.noise:.2g} {'mm' if hanging else 'mN'}"
    said = [
        f"From {table.roll.size} readings at rest, at {positions(table.roll)} positions; they scatter by"
        f" {noise}."
    ]
    at = slip(table, fitted)
    if at is not None:
        said.append(
            f"The reading at {math.degrees(table.roll[at]) % 360.0:.0f}° does not lie with the others: read"
            " it again."
        )
    return said


def slip(table: Sifted, fitted: Fitted) -> int | None:
    """Find the reading that does not lie with the others, by its deleted residual; None where all do.

    t_i = e_i/√(s²₍ᵢ₎·(1 − h_i)) of Student with one degree of freedom less, against the level over all
    readings (Cook & Weisberg, Residuals and Influence in Regression, 1982, ch. 2).
    """
    used = np.flatnonzero(np.diag(fitted.values_spread) > 0.0)
    free = table.roll.size - used.size
    if free < _SLIP_DOF or fitted.kind == "free":
        return None
    design = fitted.columns.rows[used].T
    left = table.reading - design @ fitted.values[used]
    hat = np.sum(design @ np.linalg.pinv(design.T @ design) * design, axis=1)
    rest = np.maximum(1.0 - hat, 1e-9)
    square = float(left @ left)
    without = np.maximum(square - left**2 / rest, 1e-12 * square + 1e-300) / (free - 1)
    prior = 0.25 * fitted.noise**2  # a table without scatter calls nothing a slip
    score = np.abs(left) / np.sqrt((without + prior / free) * rest)
    at = int(np.argmax(score))
    chance = 2.0 * float(stdtr(free - 1, -score[at])) * table.roll.size
    return at if chance < _SLIP else None
