"""How often is a stiff plane claimed on a blank that has none?

Blanks without anisotropy and with a strong bow, rolled with white noise and with noise that remembers. The
test's stated rate is 5 %.

    python benchmarks/roll_false_planes.py [runs a kind, 10000] [word in the kind's name …]

The last table is the other side: a plane of 1 % anisotropy under a bow force six times larger. The bow must
not pull the plane: the mean error over many noisy runs, and the error without noise.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
from roll_coverage import STIFFNESS, TRAVEL, Trouble, make

from analysis.roll import fit_roll
from analysis.roll.estimator import estimate
from analysis.roll.sift import sift

NONE = Trouble("white, two turns, both ways", anisotropy=0.0, bow_force=0.2)
KINDS = [
    replace(NONE, name="white, one turn, one way", turns=1, both_ways=False),
    NONE,
    replace(NONE, name="white, 72 readings", readings=72, turns=1, both_ways=False, uneven=0.0),
    replace(NONE, name="white, friction, spikes", friction=0.03, spikes=0.01),
    replace(NONE, name="remembers 1/1000 turn, one turn", memory=1 / 1000, turns=1, both_ways=False),
    replace(NONE, name="remembers 1/200 turn, one turn", memory=1 / 200, turns=1, both_ways=False),
    replace(NONE, name="remembers 1/200 turn, both ways", memory=1 / 200),
    replace(NONE, name="remembers 1/100 turn, three turns", memory=1 / 100, turns=3, both_ways=False),
    replace(NONE, name="remembers 1/20 turn, three turns", memory=1 / 20, turns=3, both_ways=False),
    replace(NONE, name="remembers 1/20 turn, four turns both ways", memory=1 / 20, turns=4),
    replace(NONE, name="remembers 1/100 turn, one turn", memory=1 / 100, turns=1, both_ways=False),
    replace(NONE, name="remembers 1/20 turn, one turn", memory=1 / 20, turns=1, both_ways=False),
]


def rate(kind: Trouble, runs: int, seed: int = 2) -> tuple[float, float]:
    """Claims in percent, and their standard error."""
    rng = np.random.default_rng(seed)
    claims = sum(estimate(sift(make(rng, kind).readings), "held").p_value < 0.05 for _ in range(runs))
    share = claims / runs
    return 100.0 * share, 100.0 * math.sqrt(share * (1.0 - share) / runs)


def bias(runs: int, seed: int = 3) -> tuple[float, float, float]:
    """Mean error of a weak plane under a strong bow and its standard error, degrees; and without noise."""
    rng = np.random.default_rng(seed)
    force = 6.0 * TRAVEL * 0.5 * 0.01 * STIFFNESS
    kind = Trouble("", anisotropy=0.01, bow_force=force, sigma=0.004)
    errors = []
    for _ in range(runs):
        made = make(rng, kind)
        plane = fit_roll(made.readings).stiff_plane
        if plane is not None:
            errors.append((plane.value - made.plane + math.pi / 2) % math.pi - math.pi / 2)
    clean = make(rng, replace(kind, sigma=0.0))
    plane = fit_roll(clean.readings).stiff_plane
    exact = (plane.value - clean.plane + math.pi / 2) % math.pi - math.pi / 2
    mean, error = np.mean(errors), np.std(errors) / math.sqrt(len(errors))
    return math.degrees(mean), math.degrees(error), math.degrees(exact)


def main(arguments: list[str]) -> None:
    runs = int(arguments[0]) if arguments else 10_000
    kinds = [kind for kind in KINDS if not arguments[1:] or any(word in kind.name for word in arguments[1:])]
    print(f"{runs} runs a kind without anisotropy; planes claimed, in percent (stated: 5)")
    for kind in kinds:
        share, error = rate(kind, runs)
        print(f"{kind.name:42s}{share:7.2f} ± {error:.2f}", flush=True)
    mean, error, exact = bias(max(100, runs // 10))
    print("1 % anisotropy under a bow force six times larger")
    print(f"{'mean error of the plane, degrees':42s}{mean:7.3f} ± {error:.3f}")
    print(f"{'error without noise, degrees':42s}{exact:7.1e}")


__all__ = ["KINDS", "bias", "rate"]

if __name__ == "__main__":
    main(sys.argv[1:])
