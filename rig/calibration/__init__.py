"""Counts become newtons, metres and degrees here, and nowhere else."""

from rig.calibration.counts import LOAD_BITS, TURN_COUNTS, signed, unwrapped
from rig.calibration.scales import (
    AngleScale,
    Calibration,
    LoadScale,
    TipScale,
    TravelScale,
    latest_calibration,
    load_calibration,
    save_calibration,
)
from rig.calibration.turning import TurnScale

__all__ = [
    "LOAD_BITS",
    "TURN_COUNTS",
    "AngleScale",
    "Calibration",
    "LoadScale",
    "TipScale",
    "TravelScale",
    "TurnScale",
    "latest_calibration",
    "load_calibration",
    "save_calibration",
    "signed",
    "unwrapped",
]
