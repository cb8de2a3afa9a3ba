"""How long the best sets of five take, and how close to proven optimal they are.

Run ``python benchmarks/match.py``. Shipments of invented blanks with two and six independent properties; the
last column compares with taking the blanks in the order they came.
"""

from __future__ import annotations

import time

import numpy as np

from analysis.decide.partition import partition, set_cost

CASES = ((20, 5, 2), (40, 5, 2), (40, 5, 6), (42, 5, 3), (60, 5, 2), (90, 5, 2), (40, 2, 6), (100, 2, 6))


def main() -> None:
    print(f"{'blanks':>7}{'k':>3}{'properties':>12}{'seconds':>9}{'proven':>8}{'gap':>8}{'of in order':>13}")
    for n, k, properties in CASES:
        points = np.random.default_rng(n).standard_normal((n, properties))
        start = time.perf_counter()
        found = partition(points, k, time_limit_s=30.0)
        spent = time.perf_counter() - start
        order = sum(set_cost(points[j : j + k]) for j in range(0, n - k + 1, k))
        gap = 0.0 if found.proven else 1.0 - found.bound / found.total
        print(
            f"{n:>7}{k:>3}{properties:>12}{spent:>9.1f}{'yes' if found.proven else 'no':>8}"
            f"{100 * gap:>7.1f}%{100 * found.total / order:>12.0f}%"
        )


if __name__ == "__main__":
    main()
