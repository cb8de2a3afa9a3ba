"""Trade words for power and action: bands on the reference load and on the bend centre.

The words are the trade's; where one ends and the next begins nobody has fixed. The edges shipped here are our
own choice, and the shop's settings replace them.

Edges can be learnt from blanks whose labels a shop trusts.

A label is taken as a reading, with an eye's scatter, of where the blank stands between edges c₁ < c₂ < …:

    P(label = k | value x) = (1 − ε)·[Φ((c_k − x)/s) − Φ((c_{k−1} − x)/s)] + ε/K,    s² = σ² + u²,

u being the standard error of x, σ what the maker's word scatters by and ε how often a label is plainly wrong
(cumulative probit model: McCullagh 1980, J. R. Stat. Soc. B 42:109). Each edge is expected about where it
stands now. Only neighbouring edges meet in one factor, so on a grid of values the probabilities of all edges
follow exactly, their order kept, by sums from both ends (forward and backward: Rabiner 1989, Proc. IEEE
77:257); σ is averaged over.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtr

from analysis.bend.result import ClassCall
from analysis.errors import BlankbenchError, ReadingsError
from analysis.estimate import MOST_DOF, Estimate, coverage_factor
from analysis.readings import Floats

POWER_NAMES = ("ultralight", "light", "medium-light", "medium", "medium-heavy", "heavy", "extra-heavy")
"""Power classes, softest first."""
ACTION_NAMES = ("extra-fast", "fast", "moderate-fast", "moderate", "slow")
"""Action classes by rising bend centre: a fast blank bends near its tip."""


@dataclass(frozen=True, slots=True)
class Bands:
    """Class words and the edges between them.

    Examples
    --------
    >>> DEFAULT_POWER_BANDS.call(Estimate(2.5, 0.01)).name
    'medium'
    """

    names: tuple[str, ...]
    """Words, by rising value."""
    edges: tuple[float, ...]
    """Edges between them, rising, one fewer than the words."""

    def __post_init__(self) -> None:
        if len(self.names) != len(self.edges) + 1 or len(set(self.names)) != len(self.names):
            raise ValueError("bands have one edge fewer than words, and each word once")
        if any(not later > earlier for earlier, later in zip(self.edges, self.edges[1:], strict=False)):
            raise ValueError("the edges of bands rise")

    def call(self, value: Estimate) -> ClassCall:
        """Give the most probable class of a value, and how probable each class is.

        The noise part is Student's t with its degrees of freedom, widened to hold the systematic parts too.
        """
        sigma = value.ci95 / coverage_factor(value.dof)
        if not math.isfinite(sigma):
            sigma = 0.0
        edges = np.array(self.edges)
        if sigma > 0.0:
            below = stdtr(min(value.dof, MOST_DOF), (edges - value.value) / sigma)
        else:
            below = (edges > value.value).astype(float)
        chances = np.diff(np.concatenate(([0.0], below, [1.0])))
        pairs = tuple((name, float(chance)) for name, chance in zip(self.names, chances, strict=True))
        return ClassCall(max(pairs, key=lambda pair: pair[1])[0], pairs)

    def word(self, claim: str, what: str) -> str:
        """Give the class that a label's claim names, however it is written.

        Raises
        ------
        BlankbenchError
            If it is none of the words.

        Examples
        --------
        >>> DEFAULT_ACTION_BANDS.word("Moderate Fast", "action")
        'moderate-fast'
        """
        plain = "-".join(claim.lower().replace("-", " ").replace("_", " ").split())
        for name in self.names:
            if plain == name.lower().replace(" ", "-"):
                return name
        raise BlankbenchError(
            f"the label's {what} {claim!r} is no {what} class", f"use one of {', '.join(self.names)}"
        )


DEFAULT_POWER_BANDS = Bands(POWER_NAMES, (1.0, 1.5, 2.2, 3.2, 4.7, 7.0))
"""Shipped bands of the reference load, N: our own choice, each about half as much again as the last."""
DEFAULT_ACTION_BANDS = Bands(ACTION_NAMES, (0.30, 0.37, 0.44, 0.52))
"""Shipped bands of the bend centre: our own choice."""


_GRID = 241  # edges are known to 1/60 of what the labels span, finer than any class is told
_WRONG = 0.03
"""ε: one label in thirty is plainly wrong (our choice)."""
_EYES = (0.03, 0.06, 0.12, 0.24, 0.48)
"""σ over the usual width of a class, all taken as likely before a label is seen."""
_FREE = 1.0
"""Standard deviation of an edge about where it stands now, over the usual width of a class (our choice)."""


@dataclass(frozen=True, slots=True)
class Example:
    """A blank whose label is trusted."""

    name: str
    """Its name, for the list of misfits."""
    value: Estimate
    """Reference load, N, or bend centre."""
    label: str
    """The class that its label claims, one of the bands' words."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge between two classes."""

    below: str
    """Class under it."""
    above: str
    """Class over it."""
    value: float
    """Where it stands now, learnt or kept, in the unit of the value."""
    low: float
    """It lies above this with 97.5 % probability."""
    high: float
    """It lies below this with 97.5 % probability."""
    was: float
    """Where it stood before."""
    learnt: bool
    """False where no label speaks of it from both sides: it then stays near `was` as labels and order let."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """A blank whose label the learnt bands do not give."""

    example: Example
    """The blank."""
    called: str
    """The class that the bands give."""
    probability: float
    """Probability of the label's class."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """Bands that fit the labels."""

    bands: Bands
    """Words as before, edges learnt."""
    edges: tuple[Edge, ...]
    """Each edge, with how sure it is."""
    misfits: tuple[Misfit, ...]
    """Labels that do not fit, least probable first."""


def learn(examples: Sequence[Example], bands: Bands, *, by_ratio: bool) -> Lesson:
    """Fit the edges of bands to labelled blanks.

    Parameters
    ----------
    examples : sequence of Example
        Blanks, each once. What all of them share (the rig's calibration) is left out of their errors: the
        bands serve the same rig.
    bands : Bands
        Words and edges in force.
    by_ratio : bool
        Whether classes grow by ratio (loads) or by difference (bend centres).

    Raises
    ------
    ReadingsError
        If there are no two blanks with different labels.
    ValueError
        If a label is none of the bands' words.
    """
    if len({example.label for example in examples}) < 2:
        raise ReadingsError(
            "edges between classes need blanks of two classes at least", "add blanks with other labels"
        )
    ranks = [bands.names.index(example.label) for example in examples]
    was = np.array(bands.edges)
    values = np.array([example.value.value for example in examples])
    errors = np.array([example.value.own_ci95 / coverage_factor(example.value.dof) for example in examples])
    if by_ratio:
        if np.any(values <= 0.0) or np.any(was <= 0.0):
            raise ValueError("values that grow by ratio are positive")
        was, values, errors = np.log(was), np.log(values), errors / values
    width = _usual_width(was, values)
    grid = np.linspace(
        min(was[0], values.min()) - 2.0 * width, max(was[-1], values.max()) + 2.0 * width, _GRID
    )
    chances = _edge_chances(grid, was, width, values, np.where(np.isfinite(errors), errors, 0.0), ranks)
    below = np.array([np.interp((0.025, 0.5, 0.975), np.cumsum(row), grid) for row in chances])
    seen = set(ranks)
    learnt = [k in seen and k + 1 in seen for k in range(was.size)]
    middle = _placed(np.clip(was, below[:, 0], below[:, 2]), below[:, 1], learnt)
    back = np.exp if by_ratio else np.asarray
    places, low, high = back(middle), back(below[:, 0]), back(below[:, 2])
    fitted = Bands(bands.names, tuple(_rounded(places, high - low)))
    edges = tuple(
        Edge(name, above, edge, float(a), float(b), old, known)
        for name, above, edge, a, b, old, known in zip(
            bands.names, bands.names[1:], fitted.edges, low, high, bands.edges, learnt, strict=False
        )
    )
    return Lesson(fitted, edges, _misfits(examples, fitted))


def _usual_width(was: Floats, values: Floats) -> float:
    """Usual width of a class, in the scale of the edges."""
    if was.size > 1:
        return float(np.median(np.diff(was)))
    return max(float(np.ptp(values)) / 2.0, 1e-6)


def _edge_chances(
    grid: Floats, was: Floats, width: float, values: Floats, errors: Floats, ranks: Sequence[int]
) -> Floats:
    """Probability of each edge at each place of the grid, shape (edges, grid)."""
    total = np.zeros((was.size, grid.size))
    logs, parts = [], []
    before = -0.5 * ((grid - was[:, None]) / (_FREE * width)) ** 2
    for eye in _EYES:
        log_evidence, chances = _forward_backward(grid, before, values, np.hypot(errors, eye * width), ranks)
        logs.append(log_evidence)
        parts.append(chances)
    weights = np.exp(np.array(logs) - max(logs))
    for weight, chances in zip(weights / weights.sum(), parts, strict=True):
        total += weight * chances
    return total


def _forward_backward(
    grid: Floats, before: Floats, values: Floats, scatter: Floats, ranks: Sequence[int]
) -> tuple[float, Floats]:
    """Log evidence, and probability of each edge at each place of the grid, for one scatter of the labels."""
    classes, wrong = before.shape[0] + 1, _WRONG / (before.shape[0] + 1)
    under = ndtr((grid - values[:, None]) / scatter[:, None])  # (blanks, grid)
    rank = np.asarray(ranks)

    def log_chance(chosen: Floats) -> Floats:
        return np.asarray(np.log((1.0 - _WRONG) * np.maximum(chosen, 0.0) + wrong).sum(axis=0))

    first = log_chance(under[rank == 0])
    last = log_chance(1.0 - under[rank == classes - 1])
    rising = np.where(grid[:, None] < grid, 0.0, -math.inf)  # from the edge below to the edge above
    steps = []
    for k in range(1, classes - 1):
        mine = under[rank == k]
        steps.append(rising + log_chance(mine[:, None, :] - mine[:, :, None]))
    ahead = [before[0] + first]
    for k, step in enumerate(steps, start=1):
        ahead.append(before[k] + _log_sum(ahead[-1][:, None] + step, 0))
    behind = [last]
    for k in range(len(steps) - 1, -1, -1):
        behind.insert(0, _log_sum(steps[k] + before[k + 1] + behind[0], 1))
    both = np.array(ahead) + np.array(behind)
    highest = both.max(axis=1, keepdims=True)
    chances = np.exp(both - highest)
    evidence = float(highest[0, 0] + math.log(float(chances[0].sum())))
    return evidence, chances / chances.sum(axis=1, keepdims=True)


def _log_sum(values: Floats, axis: int) -> Floats:
    """Logarithm of Σ exp along an axis; −∞ where nothing is possible."""
    highest = values.max(axis=axis, keepdims=True)
    safe = np.where(np.isfinite(highest), highest, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(values - safe).sum(axis=axis)) + safe.squeeze(axis))


def _placed(was: Floats, found: Floats, learnt: Sequence[bool]) -> Floats:
    """Learnt edges at their medians, the others where they stood, moved only as far as order asks."""
    known = [k for k, yes in enumerate(learnt) if yes]
    if not known:
        return found
    out = was.copy()
    out[known] = found[known]
    for first, after in zip([-1, *known], [*known, was.size], strict=True):
        inner = np.arange(first + 1, after)
        low = out[first] if first >= 0 else -math.inf
        high = out[after] if after < was.size else math.inf
        if not inner.size or bool(np.all((out[inner] > low) & (out[inner] < high))):
            continue
        if first >= 0 and after < was.size:
            out[inner] = np.interp(inner, [first, after], [low, high])
        elif first >= 0:
            out[inner] = was[inner] + (low - was[first])
        else:
            out[inner] = was[inner] + (high - was[after])
    return out


def _rounded(edges: Floats, width: Floats) -> list[float]:
    """To a twentieth of what is known about them, as long as they rise."""
    for more in range(8):
        digits = [max(0, 1 + more - math.floor(math.log10(part))) for part in width]
        short = [round(float(edge), places) for edge, places in zip(edges, digits, strict=True)]
        if all(b > a for a, b in itertools.pairwise(short)):
            return short
    return [float(edge) for edge in edges]


def _misfits(examples: Sequence[Example], bands: Bands) -> tuple[Misfit, ...]:
    """Labels whose class the bands do not give, least probable first."""
    found = []
    for example in examples:
        call = bands.call(example.value)
        if call.name != example.label:
            found.append(Misfit(example, call.name, call.probability(example.label)))
    return tuple(sorted(found, key=lambda misfit: misfit.probability))
