"""Has the rig moved? A control chart of one check blank measured again and again.

The constants of a range of normal values are integrals (Tippett 1925, Biometrika 17:364), computed and not
copied from a table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike
from scipy.special import gammaln, ndtr, stdtr

from analysis.decide.properties import unit_of
from analysis.errors import ReadingsError
from analysis.readings import Floats


@dataclass(frozen=True, slots=True)
class RangeConstants:
    """Constants of the range of n values, in standard deviations."""

    d2: float
    """Mean of the range."""
    d3: float
    """Standard deviation of the range."""
    c4: float
    """Mean of the sample standard deviation."""

    @property
    def upper(self) -> float:
        """D₄: upper control limit of the range over the mean range."""
        return 1.0 + 3.0 * self.d3 / self.d2

    @property
    def single(self) -> float:
        """d₂*: root mean square of one range, by which a single range is divided (Duncan 1955)."""
        return math.hypot(self.d2, self.d3)


@lru_cache(maxsize=64)
def range_constants(n: int) -> RangeConstants:
    """Find the constants for n values.

    ``d₂ = ∫ 1 − Φⁿ − (1−Φ)ⁿ dx``; ``E R² = 2 ∬_{x<y} 1 − Φ(y)ⁿ − (1−Φ(x))ⁿ + (Φ(y)−Φ(x))ⁿ dx dy``.

    Examples
    --------
    >>> round(range_constants(2).d2, 6)
    1.128379
    """
    if n < 2:
        raise ValueError("a range needs at least two values")
    points, sizes = leggauss(200)
    x, weight = 9.0 * points, 9.0 * sizes
    below = ndtr(x)
    d2 = float(weight @ (1.0 - below**n - (1.0 - below) ** n))
    # y = x + v with v ≥ 0: smooth in both.
    v, step = 9.0 * (points + 1.0), 9.0 * sizes
    up = ndtr(x[:, None] + v)
    both = 1.0 - up**n - (1.0 - below[:, None]) ** n + (up - below[:, None]) ** n
    square = 2.0 * float(weight @ both @ step)
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(float(gammaln(0.5 * n) - gammaln(0.5 * (n - 1))))
    return RangeConstants(d2, math.sqrt(square - d2**2), c4)


Signal = Literal["beyond limits", "jump", "one side", "drift"]
"""Why a chart speaks up."""

RUN_LENGTH = 8
"""So many values in a row on one side of the middle are a signal (common rule; chance 1 in 128 a run)."""
_DRIFT_LEVEL = 0.01
"""Level of the test for drift: a chart is looked at often (ours)."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One signal of a control chart."""

    signal: Signal
    """What kind."""
    index: int
    """Where it shows: index of the (last) value, from 0."""
    text: str
    """One plain sentence."""


@dataclass(frozen=True, slots=True)
class ControlChart:
    """Individuals and moving ranges of a check blank, with their limits."""

    values: Floats
    """The values in order of time, shape (n,)."""
    ranges: Floats
    """Distance of each value from the one before, shape (n − 1,)."""
    centre: float
    """Mean of the baseline."""
    sigma: float
    """Mean moving range of the baseline over d₂(2): scatter without slow drift."""
    lower: float
    """Lower control limit, centre − 3σ."""
    upper: float
    """Upper control limit, centre + 3σ."""
    range_limit: float
    """Upper limit of a moving range, D₄(2) times their mean."""
    baseline: int
    """How many of the first values set the limits."""
    slope: float
    """Least-squares drift per value over the whole chart."""
    alarms: tuple[Alarm, ...]
    """What is out of control, in order of time; empty: the rig holds."""

    @property
    def holds_now(self) -> bool:
        """True if the last value gives no alarm: ask this before a shipment is graded."""
        return all(alarm.index < len(self.values) - 1 for alarm in self.alarms)


@dataclass(frozen=True, slots=True)
class Watch:
    """One property of a check blank over time."""

    name: str
    """Property, or ``stiff_plane``: where the index mark stands in the chuck shows there."""
    values: tuple[float, ...]
    """SI, percentage points for anisotropy, degrees for the plane (unwrapped), in order of time."""
    days: tuple[str, ...]
    """Day of each, or the run's name where it states none."""
    runs: tuple[str, ...]
    """The runs."""
    chart: ControlChart | None
    """None where the values are too few for limits."""

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return "deg" if self.name == "stiff_plane" else unit_of(self.name)

    @property
    def moved_since(self) -> str | None:
        """Day from which on the rig looks moved; None while it holds.

        Where a step is the cause, the sum of the distances from the mean turns round at the step (Page 1954).
        """
        if self.chart is None or self.chart.holds_now:
            return None
        sums = np.abs(np.cumsum(self.chart.values - self.chart.values.mean()))[:-1]
        return self.days[int(np.argmax(sums)) + 1]


def control_chart(values: ArrayLike, baseline: int | None = None) -> ControlChart:
    """Chart a check blank's values: individuals and moving ranges (Shewhart; ISO 7870-2).

    Limits are ``mean ± 3·(mean moving range)/d₂`` = mean ± 2.6587·MR, and D₄ = 3.2665·MR for a moving range,
    with exact constants. Alarms: a value beyond its limits, a jump beyond the moving range's limit, eight in
    a row on one side, and a least-squares drift that chance makes less than once in a hundred charts.

    Parameters
    ----------
    values : array_like, shape (n,)
        In order of time, at least 5.
    baseline : int, optional
        How many of the first values set the limits (the rig known to be right); all by default.

    Raises
    ------
    ReadingsError
        With fewer than 5 values, a baseline shorter than that, or a value missing.
    """
    data = np.asarray(values, dtype=float)
    first = len(data) if baseline is None else baseline
    if data.ndim != 1 or len(data) < 5 or not 5 <= first <= len(data):
        raise ReadingsError(
            f"{min(data.size, first)} values of the check blank are too few for limits",
            "measure it on at least 5 occasions",
        )
    if not np.all(np.isfinite(data)):
        row = int(np.flatnonzero(~np.isfinite(data))[0])
        raise ReadingsError("a value of the check blank is missing", "leave that occasion out", row)
    constants = range_constants(2)
    moving = np.abs(np.diff(data))
    centre, mean_range = float(data[:first].mean()), float(moving[: first - 1].mean())
    sigma = mean_range / constants.d2
    lower, upper = centre - 3.0 * sigma, centre + 3.0 * sigma
    limit = constants.upper * mean_range
    slope, chance = _drift(data)
    alarms = [
        Alarm(
            "beyond limits", int(i), f"value {i + 1} lies {'above' if data[i] > upper else 'below'} its limit"
        )
        for i in np.flatnonzero((data > upper) | (data < lower))
    ]
    alarms += [
        Alarm("jump", int(i) + 1, f"value {i + 2} jumped from the one before by more than chance allows")
        for i in np.flatnonzero(moving > limit)
    ]
    alarms += _one_side(data, centre)
    if chance < _DRIFT_LEVEL:
        way = "up" if slope > 0.0 else "down"
        alarms.append(Alarm("drift", len(data) - 1, f"the values drift {way} by {abs(slope):.3g} each time"))
    alarms.sort(key=lambda alarm: alarm.index)
    return ControlChart(data, moving, centre, sigma, lower, upper, limit, first, slope, tuple(alarms))


def _one_side(data: Floats, centre: float) -> list[Alarm]:
    """One alarm for each run of `RUN_LENGTH` or more on one side, at its last value."""
    found: list[Alarm] = []
    side = np.sign(data - centre)
    start = 0
    for i in range(1, len(side) + 1):
        if i < len(side) and side[i] == side[start]:
            continue
        if side[start] != 0.0 and i - start >= RUN_LENGTH:
            where = "above" if side[start] > 0 else "below"
            found.append(Alarm("one side", i - 1, f"{i - start} values in a row {where} the middle"))
        start = i
    return found


def _drift(data: Floats) -> tuple[float, float]:
    """Least-squares slope per value and its two-sided p-value."""
    time = np.arange(len(data)) - 0.5 * (len(data) - 1)
    size = float(time @ time)
    slope = float(time @ data) / size
    rest = data - data.mean() - slope * time
    error = math.sqrt(float(rest @ rest) / (len(data) - 2) / size)
    if error <= 1e-14 * float(np.abs(data).max(initial=0.0)):
        return slope, 0.0 if abs(slope) > 1e-12 * float(np.abs(data).max(initial=1.0)) else 1.0
    return slope, 2.0 * float(stdtr(len(data) - 2, -abs(slope) / error))
