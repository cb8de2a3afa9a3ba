"""For how many blanks of a shipment does the maker's label hold."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

SURE = 0.95
"""From this probability on a label holds; from its complement down it does not; between, it is in doubt."""


@dataclass(frozen=True, slots=True)
class LabelTally:
    """One claim of the maker's labels over a shipment.

    Examples
    --------
    >>> tally = LabelTally("power", {"A": "medium", "B": "medium"}, {"A": 0.99, "B": 0.4})
    >>> tally.holds, tally.in_doubt, tally.does_not_hold
    (['A'], ['B'], [])
    """

    what: str
    """``power`` or ``action``."""
    claims: Mapping[str, str]
    """What the label claims, by blank; blanks without a claim are not there."""
    probabilities: Mapping[str, float]
    """Probability that the claim is true, by blank; nan where it cannot be told."""

    @property
    def holds(self) -> list[str]:
        """Blanks whose label holds."""
        return [blank for blank, chance in self.probabilities.items() if chance >= SURE]

    @property
    def does_not_hold(self) -> list[str]:
        """Blanks whose label does not hold."""
        return [blank for blank, chance in self.probabilities.items() if chance <= 1.0 - SURE]

    @property
    def in_doubt(self) -> list[str]:
        """Blanks whose label may hold or not."""
        sure = {*self.holds, *self.does_not_hold}
        return [blank for blank in self.probabilities if blank not in sure]

    @property
    def expected(self) -> float:
        """For how many it holds on average over what is not known."""
        return math.fsum(chance for chance in self.probabilities.values() if math.isfinite(chance))
