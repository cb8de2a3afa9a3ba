"""Decisions from values and their uncertainty: batch, outliers, grade, match, gauge study, control chart."""

from analysis.decide.batch import BatchResult, Metric, Verdict, compare_batch
from analysis.decide.combine import combine
from analysis.decide.gauge import AngleStudy, GaugeStudy, angle_study, study
from analysis.decide.properties import DEFAULT_TOLERANCES

__all__ = [
    "DEFAULT_TOLERANCES",
    "AngleStudy",
    "BatchResult",
    "GaugeStudy",
    "Metric",
    "Verdict",
    "angle_study",
    "combine",
    "compare_batch",
    "study",
]
