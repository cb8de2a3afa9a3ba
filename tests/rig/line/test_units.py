"""Units of other sketches' lines and the shop's gravity, against `scipy.constants` (exact by definition)."""

from __future__ import annotations

import pytest
from scipy import constants

from rig.line.mapping import UNITS
from rig.settings import Settings


@pytest.mark.parametrize(
    ("unit", "newtons"),
    [
        ("g", constants.gram * constants.g),
        ("kg", constants.g),
        ("oz", constants.ounce * constants.g),
        ("lb", constants.pound * constants.g),
    ],
)
def test_weights_are_what_the_definitions_make_them(unit: str, newtons: float) -> None:
    assert UNITS["load"][unit] == pytest.approx(newtons, rel=1e-12)


def test_inch_and_gravity_are_the_defined_ones() -> None:
    assert UNITS["travel"]["in"] == pytest.approx(constants.inch, rel=1e-15)
    assert Settings().shop.gravity_m_s2 == constants.g
