"""A board's channels as columns of a run file, and what a recording needs of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.readings import Floats
from rig.calibration import Calibration, TurnScale
from rig.calibration.points import level
from rig.errors import PortError
from rig.line import Hello

COLUMN_OF = {"load": "load_N", "angle": "roll_deg", "travel": "travel_m", "tip": "tip_deg"}
"""Channel → the column of a run file it becomes."""
_ADVICE = {
    "load": "blankbench calibrate load",
    "angle": "blankbench calibrate angle",
    "travel": "blankbench calibrate travel",
    "tip": "blankbench calibrate tip",
}


def counted(hello: Hello) -> tuple[str, ...]:
    """Names of the channels that the board sends in counts."""
    return tuple(channel.name for channel in hello.channels if channel.in_counts)


def can_read(hello: Hello, calibration: Calibration, name: str) -> bool:
    """Whether a channel is there and comes in units, by itself or through the calibration."""
    return name in hello.names and (name not in counted(hello) or getattr(calibration, name) is not None)


def require(hello: Hello, calibration: Calibration, needed: Sequence[str]) -> None:
    """Check that a board has the channels that a run needs, and that their counts can be turned into units.

    Raises
    ------
    PortError
        Naming the channel and what to do.
    """
    in_counts = counted(hello)
    for name in needed:
        if name not in hello.names:
            raise PortError(
                f"{hello.device} has no channel {name}, only {', '.join(hello.names)}",
                "this run needs it; add the sensor to the board and to its hello",
            )
        if name in in_counts and getattr(calibration, name) is None:
            raise PortError(f"the channel {name} has never been calibrated", f"run {_ADVICE[name]} first")


def converter(
    hello: Hello, calibration: Calibration, mount_deg: float = 0.0, leave_out: Sequence[str] = ()
) -> Callable[[Mapping[str, Floats]], Mapping[str, Floats]]:
    """Make what turns raw values by channel into columns of a run file, stretch after stretch of one run.

    Parameters
    ----------
    hello : Hello
        Says which channels are in counts and which in units already.
    calibration : Calibration
        For those in counts.
    mount_deg : float
        Blank angle that faces the pull when the chuck reads 0.
    leave_out : sequence of str
        Columns that the run shall not have; their counts are kept.
    """
    in_counts = counted(hello)
    sign = 1 if calibration.angle is None else calibration.angle.sign
    turning = calibration.travel if isinstance(calibration.travel, TurnScale) else None
    near: float | None = None

    def convert(raw: Mapping[str, Floats]) -> Mapping[str, Floats]:
        nonlocal near
        counts = {f"{name}_counts": raw[name] for name in in_counts}
        columns = calibration.apply(counts, mount_deg, near)
        if turning is not None and "travel_counts" in counts:
            followed = turning.followed(counts["travel_counts"], near)
            followed = followed[np.isfinite(followed)]
            near = float(followed[-1]) if followed.size else near
        for name in hello.names:
            if name in in_counts or name not in COLUMN_OF:
                continue
            value = raw[name]
            columns[COLUMN_OF[name]] = np.mod(sign * value + mount_deg, 360.0) if name == "angle" else value
        return {name: column for name, column in columns.items() if name not in leave_out}

    return convert


def with_fresh_zero(calibration: Calibration, raw: Mapping[str, Floats]) -> Calibration:
    """Take the zeros of load and travel from readings with the tip free; scales stay as they are.

    Raises
    ------
    ReadingsError
        If there are too few readings.
    """
    if calibration.load is not None and "load" in raw:
        zero = level(raw["load"], "the load with the tip free")
        sure = abs(1.96 * zero.error * calibration.load.N_per_count)
        calibration = replace(
            calibration, load=replace(calibration.load, zero_counts=zero.counts, zero_ci95_N=sure)
        )
    if (
        calibration.travel is not None
        and "travel" in raw
        and not math.isnan(float(np.nanmean(raw["travel"])))
    ):
        counts = raw["travel"]
        if isinstance(calibration.travel, TurnScale):
            counts = calibration.travel.followed(counts)
        free = level(counts, "the travel with the tip free")
        calibration = replace(calibration, travel=replace(calibration.travel, zero_counts=free.counts))
    return calibration
