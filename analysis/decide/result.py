"""What a comparison of blanks says. Values are in the metric's own unit (see `Metric.unit`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from analysis.estimate import Estimate

Verdict = Literal["consistent", "not consistent", "undecided"]
"""The three answers of a batch."""


@dataclass(frozen=True, slots=True)
class Metric:
    """One property of the blanks of a batch and its verdict."""

    name: str
    """``reference_load``, ``stiffness``, ``bend_centre`` …"""
    unit: str
    """Unit of the values: ``N``, ``N/m``, ``kg``, ``1``, ``pct_points``, ``m`` …"""
    tolerance_unit: str
    """Unit of `spread` and `tolerance`: ``pct_of_median`` for loads, stiffness and mass, else as `unit`."""
    values: Mapping[str, Estimate]
    """By blank, in the order they were given."""
    spread: float
    """Largest minus smallest measured value, in `tolerance_unit`."""
    tolerance: float
    """The shop's tolerance, in `tolerance_unit`."""
    p_consistent: float
    """Largest probability of a spread as small as this if the true one were at the tolerance or above."""
    p_not_consistent: float
    """Largest probability of a spread as large as this if the true one were at the tolerance or below."""
    probability_within: float
    """From a model whose blank-to-blank scatter is itself estimated; reported, does not decide."""
    verdict: Verdict
    """At 5 % for this metric alone."""
    advice: str
    """Where undecided: what to measure again and how many times; else empty."""


@dataclass(frozen=True, slots=True)
class BatchResult:
    """The answer to: are these blanks alike."""

    verdict: Verdict
    """For the whole call (Holm over the metrics)."""
    metrics: tuple[Metric, ...]
    """One a property, in the order they were given."""
    odd_one_out: str | None
    """The one blank without which the rest would be consistent, if an outlier test at 5 % names it too."""
    odd_why: str
    """One plain sentence about the odd one out, or empty."""
    warnings: tuple[str, ...]
    """Plain sentences for the builder."""
