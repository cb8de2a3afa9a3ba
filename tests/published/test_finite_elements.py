"""The bent blank against a finite-element package of its own making.

The general structural package OpenSees (PyPI ``opensees``), corotational frame elements: straight pieces of
constant rigidity that turn and move with the shape. It is used for development only.
"""

import math

import numpy as np
import pytest

from analysis.bend import Profile, Taper, solve

ops = pytest.importorskip(
    "opensees.openseespy",
    reason="the finite-element check needs a package of its own: pip install --no-deps opensees",
)


def frame(rigidity, length, load, elements):
    """Tip's travel, place along the axis and slope under a dead load, in fifty steps of load."""
    h = length / elements
    ops.wipe()
    ops.model("basic", "-ndm", 2, "-ndf", 3)
    for node in range(elements + 1):
        ops.node(node + 1, node * h, 0.0)
    ops.fix(1, 1, 1, 1)
    ops.geomTransf("Corotational", 1)
    stretch = 1e7  # N: long before it stretches it bends
    for element in range(elements):
        bending = rigidity((element + 0.5) * h) / stretch
        ops.element("elasticBeamColumn", element + 1, element + 1, element + 2, 1.0, stretch, bending, 1)
    ops.timeSeries("Linear", 1)
    ops.pattern("Plain", 1, 1)
    ops.load(elements + 1, 0.0, load, 0.0)
    ops.constraints("Plain")
    ops.numberer("Plain")
    ops.system("BandGeneral")
    ops.test("NormDispIncr", 1e-11, 100, 0)
    ops.algorithm("Newton")
    ops.integrator("LoadControl", 1.0 / 50.0)
    ops.analysis("Static")
    assert ops.analyze(50) == 0
    moved = [ops.nodeDisp(elements + 1, which) for which in (2, 1, 3)]
    ops.wipe()
    return moved[0], length + moved[1], moved[2]


def extrapolated(rigidity, length, load):
    """From 100 and 200 elements: the error of stepped pieces falls with the square of their length."""
    coarse, fine = (frame(rigidity, length, load, count) for count in (100, 200))
    return [f + (f - c) / 3.0 for c, f in zip(coarse, fine, strict=True)]


@pytest.mark.parametrize("exponent", [1.0, 3.0, 4.0])
@pytest.mark.parametrize("part", [0.05, 0.3, 1.0])
def test_a_tapered_blank_bends_as_in_corotational_finite_elements(exponent, part):
    blank = Taper(1.8, 16.0, 0.3, exponent)
    load = part * 16.0 / 1.8**2
    shape = solve(blank, load)
    travel, x, slope = extrapolated(lambda s: float(blank.EI(s)), 1.8, load)
    assert shape.travel_m == pytest.approx(travel, abs=1e-6)
    assert shape.x_m[-1] == pytest.approx(x, abs=1e-6)
    assert shape.tip == pytest.approx(slope, abs=5e-6)


def test_a_tube_whose_wall_is_thicker_over_a_joint_bends_as_in_finite_elements():
    def rigidity(s):
        outer = 12e-3 - 4.5e-3 * s
        inner = outer - 1.6e-3 * (1.0 + 0.4 * np.exp(-(((s - 0.9) / 0.05) ** 2)))
        return 60e9 * math.pi / 64.0 * (outer**4 - inner**4)

    shape = solve(Profile.of(rigidity, 2.0, 401), 2.0)
    travel, x, slope = extrapolated(rigidity, 2.0, 2.0)
    assert shape.travel_m == pytest.approx(travel, abs=2e-6)
    assert shape.x_m[-1] == pytest.approx(x, abs=2e-6)
    assert shape.tip == pytest.approx(slope, abs=1e-5)
