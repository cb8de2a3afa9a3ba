"""What JSON can say, and how an estimate becomes it: finite numbers, ``None`` for what is not known."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import TypeAlias

from analysis.estimate import Estimate

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
"""What JSON can say."""


def to_json(record: Json) -> str:
    """One JSON document, indented, plain ASCII so that every console and pipe takes it.

    Raises
    ------
    ValueError
        If a number is nan or infinite (a record made here never holds one).
    """
    return json.dumps(record, allow_nan=False, indent=2)


def number_of(value: float | None, factor: float = 1.0) -> float | None:
    """Make a built-in float, or None for what JSON cannot say."""
    if value is None:
        return None
    scaled = float(value) * factor
    return scaled if math.isfinite(scaled) else None


def value_of(estimate: Estimate | None, factor: float = 1.0) -> float | None:
    """Give the best value."""
    return None if estimate is None else number_of(estimate.value, factor)


def ci95_of(estimate: Estimate | None, factor: float = 1.0) -> float | None:
    """Half-width, None where the value itself is unknown."""
    if value_of(estimate) is None or estimate is None:
        return None
    return number_of(estimate.ci95, factor)


def strings_of(texts: Sequence[str]) -> list[Json]:
    """Make built-in strings."""
    return [str(text) for text in texts]
