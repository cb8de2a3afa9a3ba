"""Lengths as a builder types them: ``1.80``, ``180cm``, ``71in``, ``6ft``, ``5ft 11in``."""

from __future__ import annotations

import math
import re

import typer
from scipy import constants

from analysis.plausible import doubted_length

_UNITS = {
    "": 1.0,
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "in": constants.inch,
    '"': constants.inch,
    "ft": constants.foot,
}
_PART = re.compile(r"\s*([0-9]*[.,]?[0-9]+)\s*(mm|cm|m|in|ft|\"|)\s*", re.IGNORECASE)


def parse_length(text: str | float) -> float:
    """Read a length in metres, or with its unit behind it.

    Raises
    ------
    typer.BadParameter
        If it is no positive length.

    Examples
    --------
    >>> parse_length("1.80"), parse_length("180 cm"), round(parse_length("5ft 11in"), 4)
    (1.8, 1.8, 1.8034)
    """
    total, at, said = 0.0, 0, str(text)
    while at < len(said):
        part = _PART.match(said, at)
        if part is None or part.end() == at:
            break
        total += float(part[1].replace(",", ".")) * _UNITS[part[2].lower()]
        at = part.end()
    if at != len(said) or not (math.isfinite(total) and total > 0.0):
        raise typer.BadParameter(f"{said!r} is no length; write it as 1.80, 180cm, 71in or 5ft 11in")
    return total


def parse_free_length(text: str | float) -> float:
    """Read a blank's free length, and doubt one that no blank has.

    Raises
    ------
    typer.BadParameter
        If it is no length, or one in another unit than it says.

    Examples
    --------
    >>> parse_free_length("210cm")
    2.1
    """
    length = parse_length(text)
    doubt = doubted_length(length)
    if doubt is not None:
        raise typer.BadParameter(f"{doubt.what}; {doubt.do}")
    return length
