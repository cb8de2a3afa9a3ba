"""Several measurements of one blank become one value."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.angles import difference, mean_direction, wrap
from analysis.estimate import Estimate, Share
from analysis.readings import Floats


def combine(estimates: Sequence[Estimate], *, period: float | None = None) -> Estimate:
    """Combine repeats of one blank: noise averages down, systematic parts stay.

    The repeats are weighted by 1/(noise² + τ²), where τ is the scatter between runs (another mount, another
    day) that the runs' own noise does not explain, found by the Paule–Mandel equation
    ``Σ (x − x̄)²/(noise² + τ²) = k − 1`` (Paule & Mandel 1982, J. Res. NBS 87:377). Where there is such
    scatter the result has k − 1 degrees of freedom, as Hartung & Knapp (2001) argue; with only two runs,
    whose difference says little about scatter, 1/(its share of the variance). Else they follow
    Welch–Satterthwaite. Simulated half-widths then cover 92–97 % from three runs, 84–97 % with two.

    A systematic part is the same error every time (the calibration, the blank's own bow), so parts with the
    same cause are averaged with the weights, never divided by √k.

    Parameters
    ----------
    estimates : sequence of Estimate
        Repeats of one quantity of one blank, in one unit.
    period : float or None
        2π for directions, π for planes (values that wrap); None for plain numbers.

    Returns
    -------
    Estimate

    Raises
    ------
    ValueError
        If there is no estimate.

    Examples
    --------
    >>> twice = combine([Estimate(1.0, 0.1, 50.0), Estimate(1.1, 0.1, 50.0)])
    >>> round(twice.value, 3), round(twice.noise, 4)
    (1.05, 0.0707)
    """
    if not estimates:
        raise ValueError("there is nothing to combine")
    if len(estimates) == 1:
        return estimates[0]
    values = np.array([item.value for item in estimates])
    if period is not None:
        centre, _ = mean_direction(values, period)
        values = centre + np.asarray(difference(values, centre, period))
    weights, variance, dof = _weighed(values, estimates)
    value = float(weights @ values)
    if period is not None:
        value = wrap(value, period)
    return Estimate(value, math.sqrt(variance), dof, _stay(estimates, weights))


def _weighed(values: Floats, estimates: Sequence[Estimate]) -> tuple[Floats, float, float]:
    """Weights of the repeats, and their mean's variance and degrees of freedom.

    With s_i the noises and τ² the scatter between repeats, w_i ∝ 1/(s_i² + τ²) and the mean's variance is
    Σ w_i²·(s_i² + τ²); its degrees of freedom are Welch and Satterthwaite's, no more than the repeats give.
    """
    noise = np.array([item.noise for item in estimates])
    count = len(values)
    if not np.all(np.isfinite(noise)):
        return np.full(count, 1.0 / count), float(np.var(values, ddof=1)) / count, count - 1.0
    scatter = _between(values, noise)
    variance = noise**2 + scatter
    weights = np.full(count, 1.0) if not variance.any() else _inverse(variance)
    weights = weights / weights.sum()
    inner = float(np.sum((weights * noise) ** 2))
    outer = float(np.sum(weights**2) * scatter)
    total = inner + outer
    spent = sum((w * s) ** 4 / item.dof for w, s, item in zip(weights, noise, estimates, strict=True))
    dof = total**2 / spent if spent > 0.0 else math.inf
    if outer > 0.0:
        dof = min(dof, count - 1.0 if count > 2 else total / outer)
    return weights, total, dof


def _inverse(variance: Floats) -> Floats:
    """Weights 1/variance; where some variance is zero, those share all the weight."""
    exact = variance == 0.0
    if exact.any():
        return np.asarray(exact, dtype=float)
    return np.asarray(variance.min() / variance)


def _between(values: Floats, noise: Floats) -> float:
    """Paule–Mandel variance between the runs, 0 where the noise explains the scatter."""
    free = len(values) - 1

    def excess(scatter: float) -> float:
        variance = noise**2 + scatter
        weights = 1.0 / variance
        mean = float(weights @ values / weights.sum())
        return float(np.sum((values - mean) ** 2 * weights)) - free

    top = float(np.var(values, ddof=1)) * (1.0 + free)
    if top == 0.0:
        return 0.0
    bottom = 0.0 if noise.min() > 0.0 else top * 1e-15
    if excess(bottom) <= 0.0:
        return bottom if bottom == 0.0 else 0.0
    for _ in range(60):
        middle = 0.5 * (bottom + top)
        if excess(middle) > 0.0:
            bottom = middle
        else:
            top = middle
    return 0.5 * (bottom + top)


def _stay(estimates: Sequence[Estimate], weights: Floats) -> tuple[Share, ...]:
    """Systematic parts of the average: one per cause, weighted mean of the half-widths."""
    sizes: dict[tuple[str, bool], float] = {}
    patterns: dict[tuple[str, str], Floats] = {}
    for item, weight in zip(estimates, weights, strict=True):
        own: dict[tuple[str, bool], float] = {}
        for share in item.shares:
            if share.along:  # the same errors each time, each time in another pattern
                name = (share.cause, share.of)
                part = float(weight) * np.array(share.along)
                patterns[name] = patterns[name] + part if name in patterns else part
                continue
            key = (share.cause, share.shared)
            own[key] = math.hypot(own.get(key, 0.0), share.ci95)
        for key, size in own.items():
            sizes[key] = sizes.get(key, 0.0) + float(weight) * size
    return (
        *(Share(cause, size, shared) for (cause, shared), size in sizes.items()),
        *(
            Share(cause, float(np.linalg.norm(part)), along=tuple(part.tolist()), of=of)
            for (cause, of), part in patterns.items()
        ),
    )
