"""What a blank of its length can have: wide bands, and which unit a number outside them is probably in.

The bands are ours, wide enough for an ice rod and for a surf rod, and narrow enough that a number in another
unit falls out of them. Their reasons stand beside them. What lies outside is doubted: a prompt asks back, a
file is refused, each with the likely cause.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.errors import ReadingsError

LENGTH_M = (0.25, 16.0)
"""Free length, m. The tip of an ice rod; the longest poles. 21 (decimetres), 83 (inches), 210 (centimetres)
and 2100 (millimetres) fall out."""
TRAVEL_PART = (1e-3, 0.95)
"""Travel over free length. Less is no bend that a load cell sees; beyond, the tip points along the pull."""
REFERENCE_LOAD_N = (0.03, 60.0)
"""Load that takes the tip a quarter of the length. 3 g bends the lightest tips so; 60 N is four times the
load limit that is shipped, and eight times the edge of extra-heavy. The lightest common blanks, 0.6 N,
written as grams are 61 and fall out; a softer one cannot be told from a stiffer one in newtons."""
_LIKELY = (
    ("millimetres", 1e-3, (0.5, 5.0)),
    ("centimetres", 1e-2, (0.5, 5.0)),
    ("inches", 0.0254, (1.2, 5.0)),
)
"""Units that lengths are written in by mistake, to metres, and what they would then usually be, m."""
_GRAMS_PER_NEWTON = 101.97
"""Under standard gravity: 1000/9.80665."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A number that no blank has."""

    what: str
    """What is wrong, in plain words."""
    do: str
    """The likely cause and what to do."""
    key: str | None = None
    """Header key that holds the number."""

    def refuse(self, row: int | None = None) -> None:
        """Raise it.

        Raises
        ------
        ReadingsError
            Always.
        """
        raise ReadingsError(self.what, self.do, row, key=self.key)


def doubted_length(length_m: float, key: str = "free_length_m") -> Doubt | None:
    """Doubt a free length.

    Examples
    --------
    >>> print(doubted_length(210.0).do)
    is it in centimetres (write 2.1)?
    >>> doubted_length(2.1) is None
    True
    """
    low, high = LENGTH_M
    if low <= length_m <= high:
        return None
    what = f"a free length of {length_m:g} m is {'longer' if length_m > high else 'shorter'} than any blank's"
    fits = [
        f"{unit} (write {length_m * factor:.4g})"
        for unit, factor, (least, most) in _LIKELY
        if length_m > high and least <= length_m * factor <= most
    ]
    return Doubt(what, f"is it in {' or '.join(fits)}?" if fits else "lengths are in metres", key)


def doubted_travel(travel_m: float, length_m: float, key: str | None = None) -> Doubt | None:
    """Doubt a travel against the free length.

    Examples
    --------
    >>> print(doubted_travel(450.0, 1.8).do)
    is it in millimetres? write 0.45
    """
    part = travel_m / length_m
    if TRAVEL_PART[0] <= part <= TRAVEL_PART[1]:
        return None
    what = f"a travel of {travel_m:g} m does not go with a free length of {length_m:g} m"
    for unit, factor in (("millimetres", 1e-3), ("centimetres", 1e-2), ("inches", 0.0254)):
        if part > 1.0 and 0.02 <= part * factor <= 0.5:
            return Doubt(what, f"is it in {unit}? write {travel_m * factor:.4g}", key)
    return Doubt(what, "both are in metres", key)


def doubted_load(reference_N: float, key: str | None = None) -> Doubt | None:
    """Doubt a reference load, or what a roll run's mean load makes of it in linear theory.

    Examples
    --------
    >>> print(doubted_load(255.0).do)
    are the loads in grams? write newtons: 102 g are 1 N
    >>> doubted_load(2.5) is None
    True
    """
    low, high = REFERENCE_LOAD_N
    if low <= reference_N <= high:
        return None
    what = f"a load of {reference_N:.3g} N at a quarter of the length is no blank's"
    if reference_N > high and reference_N / _GRAMS_PER_NEWTON <= high:
        return Doubt(what, "are the loads in grams? write newtons: 102 g are 1 N", key)
    if 0.0 < reference_N < low:
        return Doubt(what, "are the loads in kilograms? write newtons: 1 kg is 9.81 N", key)
    return Doubt(what, "loads are in newtons, lengths and travels in metres", key)
