"""The load cell's straight line on a real cell's calibration.

Source: NIST Statistical Reference Datasets, "Pontius" (load cell calibration, P. Pontius), 40 observations
with the certified quadratic y = B0 + B1·x + B2·x² and its residual standard deviation. The straight line
that the certified curve implies is worked out here from its coefficients, without the observations.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants, stats

from rig.calibration.points import KnownWeight, load_scale

RUNS = (
    ".11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146"
    " 1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844",
    ".11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150"
    " 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829",
)
LOAD = 150_000.0 * np.arange(1, 21)  # in the units of the dataset
B0, B1, B2 = 0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14
S = 0.205177424076185e-3
COUNTS = 1e6
"""Counts in one unit of the dataset's deflection: the largest is 2.2 million, within 24 bits."""


def weights() -> list[KnownWeight]:
    deflections = [np.array([float(text) for text in run.split()]) for run in RUNS]
    return [
        KnownWeight(load / constants.g, np.full(10, deflection * COUNTS))
        for run in deflections
        for load, deflection in zip(LOAD, run, strict=True)
    ]


def certified() -> tuple[np.ndarray, float]:
    """Changes of the counts on the certified curve, and the slope of the line through zero, load a count."""
    changes = (B1 * LOAD + B2 * LOAD**2) * COUNTS
    return changes, float(np.sum(LOAD * changes) / np.sum(changes**2))


def test_the_data_here_are_the_published_ones():
    """The certified residual standard deviation (37 degrees of freedom) comes out of them."""
    observed = np.concatenate([[float(text) for text in run.split()] for run in RUNS])
    load = np.tile(LOAD, 2)
    off = observed - (B0 + B1 * load + B2 * load**2)
    assert math.sqrt(np.sum(off**2) / 37) == pytest.approx(S, rel=1e-9)


def test_the_scale_is_that_of_the_certified_curve():
    changes, slope = certified()
    scale = load_scale(np.full(10, B0 * COUNTS), weights())
    # four standard errors of a slope through zero from 40 observations with scatter S
    error = S * COUNTS / math.sqrt(2 * np.sum(changes**2))
    assert scale.N_per_count == pytest.approx(slope, rel=4 * error)
    assert scale.zero_counts == pytest.approx(B0 * COUNTS, rel=1e-12)


def test_the_residual_shows_the_cell_s_certified_curvature():
    changes, slope = certified()
    curvature = float(np.max(np.abs(LOAD - slope * changes)))
    scale = load_scale(np.full(10, B0 * COUNTS), weights())
    assert curvature > 10 * S * COUNTS * slope  # the curvature, not the noise, makes the residual
    assert scale.residual_N == pytest.approx(curvature, abs=3 * S * COUNTS * slope)
    least = math.sqrt(2 * np.sum((LOAD - slope * changes) ** 2) / 39 / (2 * np.sum(changes**2)))
    assert scale.scale_ci95 == pytest.approx(stats.t.ppf(0.975, 39) * least / slope, rel=0.02)


def test_no_known_load_lies_further_from_the_line_than_the_residual_says():
    scale = load_scale(np.full(10, B0 * COUNTS), weights())
    for weight in weights():
        read = scale.apply(weight.counts)[0]
        assert abs(read - weight.mass_kg * constants.g) <= scale.residual_N * (1 + 1e-12)
