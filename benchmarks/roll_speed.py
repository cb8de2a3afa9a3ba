"""What does a roll fit cost, against plain least squares of the same columns and against the live one?

    python benchmarks/roll_speed.py

Everything runs in one process on one core; ratios are what is meant to be read, seconds are this machine's.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time
from collections.abc import Callable

import numpy as np
from roll_coverage import TRAVEL, Trouble, make

from analysis.roll import LiveRoll, fit_roll


def cost(work: Callable[[], object], seconds: float = 0.5) -> float:
    """Least time of one call, s."""
    work()
    best, end = float("inf"), time.perf_counter() + seconds
    while time.perf_counter() < end:
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    print(f"{'readings':>9s}{'fit_roll ms':>13s}{'lstsq ms':>10s}{'ratio':>7s}{'live µs a reading':>19s}")
    for readings in (300, 2500, 20_000):
        made = make(np.random.default_rng(1), Trouble("", readings=readings, spikes=0.01, friction=0.03))
        run = made.readings
        waves = np.outer(run.roll, np.arange(1, 7))
        plain = np.column_stack(
            [np.ones(run.roll.size), np.cos(waves), np.sin(waves), run.time_s, run.time_s**2]
        )
        fit = cost(lambda run=run: fit_roll(run))
        least = cost(lambda plain=plain, load=run.load_N: np.linalg.lstsq(plain, load, rcond=None))
        live = LiveRoll(held_travel_m=TRAVEL, free_length_m=1.8)
        start = time.perf_counter()
        for angle, load, at in zip(run.roll.tolist(), run.load_N.tolist(), run.time_s.tolist(), strict=True):
            live.add(angle, load, at)
        each = (time.perf_counter() - start) / run.roll.size
        print(f"{readings:9d}{1e3 * fit:13.2f}{1e3 * least:10.2f}{fit / least:7.1f}{1e6 * each:19.1f}")


if __name__ == "__main__":
    main()
