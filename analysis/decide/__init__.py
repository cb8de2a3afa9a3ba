"""Decisions from values and their uncertainty: batch, outliers, grade, match, gauge study, control chart."""

from analysis.decide.batch import DEFAULT_TOLERANCES, compare_batch
from analysis.decide.combine import combine
from analysis.decide.result import BatchResult, Metric, Verdict

__all__ = ["DEFAULT_TOLERANCES", "BatchResult", "Metric", "Verdict", "combine", "compare_batch"]
