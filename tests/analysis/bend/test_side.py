"""From a side to the mean over the roll."""

from __future__ import annotations

import math

import pytest

from analysis.bend import Planes
from analysis.bend.shares import to_the_mean
from analysis.estimate import Estimate


@pytest.mark.parametrize(
    ("side", "factor"), [(35.0, 1 / 1.02), (125.0, 1 / 0.98), (80.0, 1.0), (215.0, 1 / 1.02)]
)
def test_the_factor_follows_the_side(side: float, factor: float) -> None:
    planes = Planes(Estimate(0.04, 0.0), Estimate(math.radians(35.0), 0.0))
    assert to_the_mean(math.radians(side), planes)[0] == pytest.approx(factor)


def test_what_is_not_known_widens_or_is_said() -> None:
    found = Planes(Estimate(0.04, 0.001), Estimate(0.0, math.radians(5.0)))
    (_, (share,), warnings) = to_the_mean(math.radians(45.0), found)
    assert share[1] == pytest.approx(0.04 * found.stiff_plane.ci95, rel=1e-6)  # type: ignore[union-attr]
    assert warnings == ()
    factor, shares, _ = to_the_mean(0.3, Planes(Estimate(0.002, 0.001), None))
    assert factor == 1.0
    assert shares[0][1] == pytest.approx(0.5 * (0.002 + Estimate(0.002, 0.001).ci95))
    assert "which side" in to_the_mean(None, found)[2][0]
    assert "anisotropy of 4 %" in to_the_mean(0.0, None)[2][0]
