"""Bending: rigidity along a blank, its shape under load, and what a flex run tells about both."""

from analysis.bend.classes import DEFAULT_ACTION_BANDS, DEFAULT_POWER_BANDS, Bands
from analysis.bend.elastica import (
    BARE,
    NoBalanceError,
    Shape,
    Surroundings,
    load_for_travel,
    solve,
    solve_toward,
)
from analysis.bend.flex import fit_flex
from analysis.bend.profile import Profile, Rigidity, Taper, own_weight
from analysis.bend.rating import Rating, even_load, initial_stiffness, rate
from analysis.bend.result import ClassCall, FlexCurve, FlexResult, Station
from analysis.bend.shares import Planes

__all__ = [
    "BARE",
    "DEFAULT_ACTION_BANDS",
    "DEFAULT_POWER_BANDS",
    "Bands",
    "ClassCall",
    "FlexCurve",
    "FlexResult",
    "NoBalanceError",
    "Planes",
    "Profile",
    "Rating",
    "Rigidity",
    "Shape",
    "Station",
    "Surroundings",
    "Taper",
    "even_load",
    "fit_flex",
    "initial_stiffness",
    "load_for_travel",
    "own_weight",
    "rate",
    "solve",
    "solve_toward",
]
