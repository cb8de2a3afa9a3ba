"""Rolling: stiff and soft plane, natural bow, snap positions and the mark."""

from analysis.roll.chuck import Chuck, guessed
from analysis.roll.estimator import PLANE_LEVEL
from analysis.roll.fit import RollFit, fit_roll
from analysis.roll.live import LiveRoll, LiveState
from analysis.roll.mounts import Mounts, fit_mounts
from analysis.roll.result import Cause, Mark, MarkRule, RollCurve, RollResult, Snap

__all__ = [
    "PLANE_LEVEL",
    "Cause",
    "Chuck",
    "LiveRoll",
    "LiveState",
    "Mark",
    "MarkRule",
    "Mounts",
    "RollCurve",
    "RollFit",
    "RollResult",
    "Snap",
    "fit_mounts",
    "fit_roll",
    "guessed",
]
