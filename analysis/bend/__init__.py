"""Bending: rigidity along a blank, its shape under load, and what a flex run tells about both."""

from analysis.bend.elastica import (
    BARE,
    NoBalanceError,
    Shape,
    Surroundings,
    load_for_travel,
    solve,
    solve_toward,
)
from analysis.bend.profile import Profile, Rigidity, Taper, own_weight

__all__ = [
    "BARE",
    "NoBalanceError",
    "Profile",
    "Rigidity",
    "Shape",
    "Surroundings",
    "Taper",
    "load_for_travel",
    "own_weight",
    "solve",
    "solve_toward",
]
