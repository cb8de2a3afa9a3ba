"""What may go wrong on the board on request, each at its time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

Kind: TypeAlias = Literal[
    "garbage", "corrupt", "lose", "silence", "reset", "load-gone", "magnet-gone", "over-range"
]
"""What goes wrong:

``garbage`` random bytes between two lines, once; ``corrupt`` a bit of every line is turned over; ``lose``
readings are taken and not sent; ``silence`` nothing is sent and no readings are taken; ``reset`` the board
starts anew, once; ``load-gone`` the amplifier does not answer; ``magnet-gone`` the angle sensor misses its
magnet; ``over-range`` the load stands at the amplifier's end stop.
"""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that goes wrong."""

    kind: Kind
    """What."""
    at_s: float
    """When, on the board's clock since it got power, s."""
    seconds: float = 1.0
    """How long; ``garbage`` and ``reset`` happen once."""

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise ValueError(f"{self.kind!r} is no trouble; there are {', '.join(get_args(Kind))}")
        if not (math.isfinite(self.at_s) and self.at_s >= 0.0 and self.seconds >= 0.0):
            raise ValueError("trouble begins at a time from 0 s on and lasts no negative time")

    @property
    def until_s(self) -> float:
        """When it is over, s."""
        return self.at_s + (0.0 if self.once else self.seconds)

    @property
    def once(self) -> bool:
        """True for what happens at one moment."""
        return self.kind in ("garbage", "reset")
