"""Counts as sensors give them: two's complement, and counters that begin again."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.readings import Floats

LOAD_BITS = 24
"""Width of the bridge amplifier's counts, two's complement."""
TURN_COUNTS = 4096
"""Counts in a turn of a 12-bit angle sensor."""


def signed(counts: ArrayLike, bits: int) -> Floats:
    """Read counts modulo 2^bits as two's complement, in [−2^(bits−1), 2^(bits−1)).

    Examples
    --------
    >>> signed([0xFFFFFF, 0x800000, 0x7FFFFF, -1, 5], 24)
    array([-1.000000e+00, -8.388608e+06,  8.388607e+06, -1.000000e+00,
            5.000000e+00])
    """
    half = 2.0 ** (bits - 1)
    out: Floats = np.mod(np.asarray(counts, dtype=float) + half, 2.0 * half) - half
    return out


def unwrapped(counts: ArrayLike, counts_per_turn: int = TURN_COUNTS) -> Floats:
    """Undo the jumps of a counter that begins again every turn; each step must be less than half a turn.

    A missing reading (nan) stays missing and does not break the count.

    Examples
    --------
    >>> unwrapped([4094, 4095, 1, 3, 4095])
    array([4094., 4095., 4097., 4099., 4095.])
    """
    out = np.array(counts, dtype=float)
    there = ~np.isnan(out)
    out[there] = np.unwrap(out[there], period=counts_per_turn)
    return out
