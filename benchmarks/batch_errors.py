"""How often a batch verdict is wrong, and how often it stays open, over simulated batches of five.

Run ``python benchmarks/batch_errors.py [batches]``. Each row draws batches with the true values of the row
and one standard error (or unequal ones, or estimated ones), and counts the verdicts. A false verdict may
happen in at most 5 % of the batches; the last column says whether the count is compatible with that.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analysis.decide.batch import compare_batch
from analysis.estimate import Estimate

Draw = Callable[[np.random.Generator], NDArray[np.float64]]
SIZE = 5


def ends(rng: np.random.Generator) -> NDArray[np.float64]:
    """Two blanks one unit apart, the rest half way: hardest for a false "consistent"."""
    return rng.permutation([0.0, 0.5, 0.5, 0.5, 1.0])


def crowded(rng: np.random.Generator) -> NDArray[np.float64]:
    """Two and three blanks at the two ends: hardest for a false "not consistent"."""
    return rng.permutation([0.0, 0.0, 1.0, 1.0, 1.0])


def odd(rng: np.random.Generator) -> NDArray[np.float64]:
    """One blank one unit away from four alike."""
    return rng.permutation([0.0, 0.0, 0.0, 0.0, 1.0])


def spaced(rng: np.random.Generator) -> NDArray[np.float64]:
    """Evenly spaced over one unit."""
    return rng.permutation(np.linspace(0.0, 1.0, SIZE))


def alike(_: np.random.Generator) -> NDArray[np.float64]:
    """Five identical blanks."""
    return np.zeros(SIZE)


def count(
    draw: Draw,
    spread: float,
    tolerance: float,
    batches: int,
    *,
    unequal: bool = False,
    dof: float = math.inf,
    seed: int = 1,
) -> Counter[str]:
    """Verdicts over simulated batches; lengths are in standard errors.

    With `unequal` the five standard errors are 0, 0.3, 1, 1 and 2; with a finite `dof` the batch is told
    standard errors that were themselves estimated.
    """
    rng = np.random.default_rng(seed)
    verdicts: Counter[str] = Counter()
    for _ in range(batches):
        true = 100.0 + spread * draw(rng)
        sizes = rng.permutation([0.0, 0.3, 1.0, 1.0, 2.0]) if unequal else np.ones(SIZE)
        read = true + sizes * rng.standard_normal(SIZE)
        told = sizes * (np.sqrt(rng.chisquare(dof, SIZE) / dof) if math.isfinite(dof) else 1.0)
        batch = {
            f"B-{i}": Estimate(value, size, dof)
            for i, (value, size) in enumerate(zip(read, told, strict=True))
        }
        verdicts[compare_batch({"grip": batch}, {"grip": tolerance}).verdict] += 1
    return verdicts


ROWS: tuple[tuple[str, Draw, float, float, dict[str, float | bool]], ...] = (
    ("well within (spread 2, tolerance 8)", spaced, 2.0, 8.0, {}),
    ("well outside (spread 14, tolerance 8)", spaced, 14.0, 8.0, {}),
    ("at the tolerance 8, evenly spaced", spaced, 8.0, 8.0, {}),
    ("at the tolerance 8, two at the ends", ends, 8.0, 8.0, {}),
    ("at the tolerance 8, crowded at both ends", crowded, 8.0, 8.0, {}),
    ("at the tolerance 2, two at the ends", ends, 2.0, 2.0, {}),
    ("at the tolerance 2, crowded at both ends", crowded, 2.0, 2.0, {}),
    ("identical, tolerance 1 standard error", alike, 0.0, 1.0, {}),
    ("identical, tolerance 2 standard errors", alike, 0.0, 2.0, {}),
    ("identical, tolerance 6 standard errors", alike, 0.0, 6.0, {}),
    ("one odd blank at tolerance 1", odd, 1.0, 1.0, {}),
    ("one odd blank at tolerance 6", odd, 6.0, 6.0, {}),
    ("one odd blank at tolerance 20", odd, 20.0, 20.0, {}),
    ("unequal errors, two at the ends, tolerance 4", ends, 4.0, 4.0, {"unequal": True}),
    ("unequal errors, crowded, tolerance 4", crowded, 4.0, 4.0, {"unequal": True}),
    ("unequal errors, one odd, tolerance 4", odd, 4.0, 4.0, {"unequal": True}),
    ("4 degrees of freedom, two at the ends, tolerance 6", ends, 6.0, 6.0, {"dof": 4.0}),
    ("4 degrees of freedom, crowded, tolerance 6", crowded, 6.0, 6.0, {"dof": 4.0}),
    ("4 degrees of freedom, identical, tolerance 1", alike, 0.0, 1.0, {"dof": 4.0}),
    ("4 degrees of freedom, one odd, tolerance 6", odd, 6.0, 6.0, {"dof": 4.0}),
)


def main() -> None:
    batches = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    limit = 0.05 + 2.33 * math.sqrt(0.05 * 0.95 / batches)
    print(f"{batches} batches of five a row; lengths in standard errors; limit {100 * limit:.1f} %\n")
    print(f"{'true values':<52}{'consistent':>11}{'not cons.':>11}{'undecided':>11}{'ms':>7}  false ≤ 5 %")
    for name, draw, spread, tolerance, how in ROWS:
        start = time.perf_counter()
        verdicts = count(draw, spread, tolerance, batches, **how)  # type: ignore[arg-type]
        spent = 1e3 * (time.perf_counter() - start) / batches
        yes, no = verdicts["consistent"] / batches, verdicts["not consistent"] / batches
        wrong = max(yes if spread >= tolerance else 0.0, no if spread <= tolerance else 0.0)
        fine = "ok" if wrong <= limit else "TOO MANY"
        print(
            f"{name:<52}{100 * yes:>10.1f}%{100 * no:>10.1f}%{verdicts['undecided'] / batches * 100:>10.1f}%"
            f"{spent:>7.1f}  {fine} ({100 * wrong:.1f} %)"
        )


if __name__ == "__main__":
    main()
