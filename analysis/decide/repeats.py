"""What to measure again, and how often, so that a verdict can fall."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.decide.spread import (
    Errors,
    p_values,
    pair_bound,
    statistic,
    window_probability,
    wrong_way_round,
)
from analysis.estimate import MOST_DOF
from analysis.readings import Floats

# Times as many runs that are tried; nobody runs more (ours).
_TIMES = (2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50)


def can_decide(values: Floats, sizes: Floats, tolerance: float, level: float) -> bool:
    """Tell whether a verdict could fall at these values if their standard errors were `sizes`.

    Uses quick bounds: the worst pair alone for a spread below the tolerance, the evenest split of the blanks
    for one above.
    """
    errors = Errors(np.maximum(sizes / tolerance, 1e-9), np.full(len(values), np.inf))
    scaled = (values - values[0]) / tolerance
    w = statistic(scaled, errors)
    if np.ptp(scaled) < 1.0:
        return bool(max(pair_bound(errors, w).max(), wrong_way_round(errors)) <= level)
    ends = np.zeros((1, len(values)))
    ends[0, np.argsort(sizes)[::2]] = 1.0
    return bool(1.0 - window_probability(ends, errors, w)[0] <= level)


def advise(
    blanks: Sequence[str],
    values: Floats,
    noise: Floats,
    own: Floats,
    dof: Floats,
    tolerance: float,
    level: float,
) -> str:
    """Say in one sentence what to measure again and how many times.

    If every blank is measured N times as often, its noise falls by √N and its own systematic part stays. The
    smallest N is sought at which the verdict falls at the spread measured now.

    Parameters
    ----------
    blanks : sequence of str, length n
    values, noise, own : ndarray, shape (n,)
        Measured values, standard errors from noise, standard errors of each blank's own systematic parts.
    dof : ndarray, shape (n,)
        Degrees of freedom behind the standard errors.
    tolerance, level : float

    Returns
    -------
    str
    """
    few = dof < 30.0
    dof = np.minimum(dof, MOST_DOF)
    wide = np.where(few, noise * np.sqrt((dof + 2.0) / np.maximum(dof, 1.0)), noise)
    worst = np.argsort(noise)[::-1]
    single = np.zeros(len(values), dtype=bool)
    single[worst[0]] = True
    choices = [np.ones(len(values), dtype=bool)]
    if len(values) > 2 and noise[worst[0]] > 2.0 * noise[worst[1]]:
        choices.insert(0, single)
    for chosen in choices:
        times = _times(values, wide, own, chosen, tolerance, level)
        if times is not None:
            what = "every blank" if chosen.all() else blanks[int(worst[0])]
            return f"measure {what} {times} times in all"
    if float(np.max(own)) > 0.3 * abs(float(np.ptp(values)) - tolerance):
        return "more runs will not settle it: a smaller error of the rig itself is needed"
    return "the spread sits on the tolerance: no sensible number of runs will settle it"


def _times(
    values: Floats, noise: Floats, own: Floats, chosen: Floats, tolerance: float, level: float
) -> int | None:
    """Smallest number of measurements that lets a verdict fall, or None."""

    def sizes(times: int) -> Floats:
        return np.asarray(np.hypot(np.where(chosen, noise / np.sqrt(times), noise), own))

    def enough(times: int) -> bool:
        return can_decide(values, sizes(times), tolerance, level)

    if not enough(_TIMES[-1]):
        return None
    low, high = 0, len(_TIMES) - 1
    while low < high:
        middle = (low + high) // 2
        if enough(_TIMES[middle]):
            high = middle
        else:
            low = middle + 1
    exact = np.full(len(values), np.inf)
    while low > 0 and min(p_values(values, sizes(_TIMES[low - 1]), exact, tolerance)) <= level:
        low -= 1
    return _TIMES[low]
