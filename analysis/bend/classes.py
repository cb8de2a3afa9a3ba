"""Trade words for power and action: bands on the reference load and on the bend centre.

The words are the trade's; where one ends and the next begins nobody has fixed. The edges shipped here are our
own choice, and the shop's settings replace them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from analysis.bend.result import ClassCall
from analysis.errors import BlankbenchError
from analysis.estimate import Estimate, coverage_factor

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
        spread = value.ci95 / coverage_factor(value.dof)
        if not math.isfinite(spread):
            spread = 0.0
        edges = np.array(self.edges)
        if spread > 0.0:
            below = stdtr(min(value.dof, 1e9), (edges - value.value) / spread)
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
