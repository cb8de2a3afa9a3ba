"""From a run to what a fit takes: SI, radians, and what the run states about the rig's errors."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from analysis.readings import Arm, FlexReadings, Guide, RigErrors, RollReadings, Steps
from rig.calibration import Calibration, TurnScale
from rig.errors import FileError, ReadingsError
from rig.runs.file import RAW_OF, Run
from rig.runs.header import Kind
from rig.runs.recompute import recompute
from rig.settings import Settings

T = TypeVar("T")
AT_REST = "at rest"
"""Value of the header's key ``taken`` where every reading was taken while nothing moved."""
_STEP_OF = ("travel_m", "load_N", "roll_deg")

_STATED = {
    "load_scale_ci95": ("load", "scale_ci95"),
    "travel_scale_ci95": ("travel", "scale_ci95"),
    "load_zero_ci95_N": ("load", "zero_ci95_N"),
    "angle_ci95_deg": ("angle", "zero_ci95_deg"),
    "index_ci95_deg": ("angle", "index_ci95_deg"),
    "free_length_ci95_m": ("rig", "free_length_ci95_m"),
    "friction_N": ("lag", "friction_N"),
    "lag_ci95_s": ("lag", "lag_ci95_s"),
    "rate_hz": ("rig", "rate_hz"),
}
"""Key in the tables ``rig`` or ``calibration`` → where else it may stand, below ``calibration``."""


def roll_readings(run: Run, settings: Settings) -> RollReadings:
    """Give the readings of a roll run to a fit.

    Parameters
    ----------
    run : Run
        Of kind ``roll``; columns that are there only as raw counts are computed from the run's calibration.
    settings : Settings
        The shop's settings: the rig's errors where the run states none.

    Raises
    ------
    FileError
        If the run is of another kind, or its raw counts have no calibration.
    """
    _only(run, "roll")
    run = _in_units(run)
    header, columns = run.header, run.columns
    hanging = header.held_load_N is not None
    readings = RollReadings(
        time_s=columns["time_s"],
        roll=np.radians(columns["roll_deg"]),
        load_N=None if hanging else columns["load_N"],
        travel_m=columns.get("travel_m"),
        held_travel_m=header.held_travel_m,
        held_load_N=header.held_load_N,
        free_length_m=header.free_length_m,
        contact="free" if hanging else header.contact,
        mount=float(np.radians(header.mount_deg)),
        rig=rig_errors(run, settings),
        blank=header.blank,
        at_rest=_at_rest(run),
        steps=_steps(run, settings),
    )
    by = _pulled_by(run)
    return readings if by is None or hanging else _square_to_the_axis(run, readings, by)


def _square_to_the_axis(run: Run, readings: RollReadings, by: Guide | Arm) -> RollReadings:
    """Turn load and travel along a string or of a roller into those square to the chuck's axis."""
    from analysis.bend.bender import NoBalanceError
    from analysis.bend.steered import across

    held, travel = readings.held_travel_m, readings.travel_m
    if travel is not None and np.isfinite(travel).any():
        held = float(np.nanmedian(travel))
    if held is None or not held > 0.0:
        return readings
    try:
        there = across(by, held, readings.free_length_m)
    except NoBalanceError as error:
        raise FileError(
            run.path,
            run.header.lines.get("held_travel_m"),
            f"the rig in this run's calibration does not reach the travel of {1e3 * held:.0f} mm ({error})",
            "correct the guide's or arm's place in the settings, and calibrate the travel again",
        ) from error
    part, known = there.offset_m / held, readings.rig
    return replace(
        readings,
        load_N=None if readings.load_N is None else readings.load_N * there.load_ratio,
        travel_m=None if travel is None else travel * part,
        held_travel_m=None if readings.held_travel_m is None else readings.held_travel_m * part,
        rig=replace(
            known,
            load_scale_ci95=_with(known.load_scale_ci95, there.load_spread),
            travel_scale_ci95=_with(known.travel_scale_ci95, there.offset_spread),
        ),
    )


def _with(stated: float | None, spread: float) -> float | None:
    """A stated half-width and a further one; nothing stated stays nothing, so that a note says so."""
    return None if stated is None else float(np.hypot(stated, spread))


def flex_readings(run: Run, settings: Settings) -> FlexReadings:
    """Give the readings of a flex run to a fit.

    Parameters, errors: as `roll_readings`, for a run of kind ``flex``.
    """
    _only(run, "flex")
    run = _in_units(run)
    header, columns = run.header, run.columns
    tip = columns.get("tip_deg")
    if tip is not None and np.isnan(tip).all():
        tip = None
    return FlexReadings(
        time_s=columns["time_s"],
        load_N=columns["load_N"],
        travel_m=columns["travel_m"],
        tip=None if tip is None else np.radians(tip),
        free_length_m=header.free_length_m,
        station_m=header.station_m,
        roll=None if header.roll_deg is None else float(np.radians(header.roll_deg)),
        pull=header.pull,
        mass_kg=None if header.mass_g is None else header.mass_g * 1e-3,
        length_m=header.length_m,
        load_after_N=header.load_after_N,
        rig=rig_errors(run, settings),
        blank=header.blank,
        pulled_by=_pulled_by(run),
        clip_kg=_clip_kg(run, settings),
        at_rest=_at_rest(run),
        steps=_steps(run, settings),
    )


def _at_rest(run: Run) -> bool:
    """Tell whether the run says that nothing moved while it was read (header key ``taken``)."""
    return run.header.extra.get("taken") == AT_REST


def _steps(run: Run, settings: Settings) -> Steps:
    """Give what the readings were read to (header table ``resolution``), else what the settings say."""
    said = run.header.tables.get("resolution", {})
    step = {key: _half_width(run, key, value) for key, value in said.items() if key in _STEP_OF}
    usual = settings.by_hand
    return Steps(
        ruler_m=step.get("travel_m", usual.ruler_m),
        scale_N=step.get("load_N", usual.scale_N),
        protractor_rad=float(np.radians(step.get("roll_deg", usual.protractor_deg))),
    )


def _pulled_by(run: Run) -> Guide | Arm | None:
    """What turned the pull while the run was recorded, from its own calibration; None: nothing."""
    scale = Calibration.from_tables(run.header.tables.get("calibration", {}), run.path).travel
    return scale.geometry.pulled_by if isinstance(scale, TurnScale) else None


def _clip_kg(run: Run, settings: Settings) -> float:
    """Mass of what rode on the tip: what the run states, else what the settings do."""
    stated = run.header.tables.get("rig", {}).get("clip_g", settings.rig.clip_g)
    return 0.0 if stated is None else 1e-3 * _half_width(run, "clip_g", stated)


def rig_errors(run: Run, settings: Settings) -> RigErrors:
    """Collect what is known of the rig's errors: what the run states, else what the shop's settings state.

    A run states them in its tables ``rig`` and ``calibration``; calibration is never taken from the settings,
    because it belongs to the rig that recorded the run.

    Raises
    ------
    FileError
        If a stated error is no number of zero or more.
    """
    stated: dict[str, float] = {}
    rig = run.header.tables.get("rig", {})
    calibration = run.header.tables.get("calibration", {})
    for key, (channel, name) in _STATED.items():
        parts = calibration.get(channel, {})
        below = parts.get(name) if isinstance(parts, Mapping) else None
        found = [value for value in (rig.get(key), calibration.get(key), below) if value is not None]
        if found:
            stated[key] = _half_width(run, key, found[0])
    shop = {
        "free_length_ci95_m": settings.rig.free_length_ci95_m,
        "friction_N": settings.rig.friction_N,
        "index_ci95_deg": settings.rig.index_ci95_deg,
        "lag_ci95_s": settings.rig.lag_ci95_s,
    }
    known = {key: value for key, value in shop.items() if value is not None} | stated
    angle, index = (
        None if known.get(key) is None else float(np.radians(known[key]))
        for key in ("angle_ci95_deg", "index_ci95_deg")
    )
    return RigErrors(
        load_scale_ci95=known.get("load_scale_ci95"),
        travel_scale_ci95=known.get("travel_scale_ci95"),
        free_length_ci95_m=known.get("free_length_ci95_m"),
        angle_ci95_rad=angle,
        index_ci95_rad=index,
        load_zero_ci95_N=known.get("load_zero_ci95_N"),
        friction_N=known.get("friction_N"),
        lag_s=_lag(run, settings),
        lag_ci95_s=known.get("lag_ci95_s", 0.0),
        readings_hz=known.get("rate_hz") or None,
    )


def _lag(run: Run, settings: Settings) -> float | None:
    """How long the load comes behind the angle: as the run states it, else as the settings do."""
    rig = run.header.tables.get("rig", {})
    calibration = run.header.tables.get("calibration", {})
    learnt = calibration.get("lag")
    for value in (rig.get("lag_s"), learnt.get("lag_s") if isinstance(learnt, Mapping) else None):
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise FileError(
                run.path,
                run.header.lines.get("lag_s"),
                "lag_s in the header must be a number",
                "write it as  # lag_s = 0.05",
            )
        return float(value)
    return settings.rig.lag_s


def naming_lines(run: Run | Sequence[Run], work: Callable[[], T]) -> T:
    """Do `work` on the readings of one or several runs; what it says about a reading gets file and line.

    Raises
    ------
    FileError
        In place of a `ReadingsError`.
    """
    try:
        return work()
    except ReadingsError as error:
        at = run if isinstance(run, Run) else run[error.run]
        line = at.line_of(error.row) if error.key is None else at.header.lines.get(error.key)
        raise FileError(at.path, line, error.what, error.do) from error


def _only(run: Run, kind: Kind) -> None:
    if run.header.kind != kind:
        raise FileError(
            run.path,
            run.header.lines.get("kind"),
            f"this is a {run.header.kind} run, and a {kind} run is needed here",
            f'name a run whose header says  kind = "{kind}"',
        )


def _in_units(run: Run) -> Run:
    """Compute the columns that are there only as raw counts."""
    header = run.header
    needed = {
        "roll": ("travel_m" if header.held_load_N is not None else "load_N", "roll_deg"),
        "flex": ("load_N", "travel_m"),
    }[header.kind]
    missing = [name for name in needed if name not in run.columns]
    if missing:
        calibration = Calibration.from_tables(header.tables.get("calibration", {}), run.path)
        computed = recompute(run, calibration).columns
        run = replace(run, columns={**computed, **run.columns})
    for name in missing:
        if name not in run.columns:
            raise FileError(
                run.path,
                None,
                f"the run holds {RAW_OF[name]} but no calibration to make {name} of it",
                "calibrate the rig and apply the calibration to this run",
            )
    return run


def _half_width(run: Run, key: str, value: Any) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value < float("inf"):
        raise FileError(
            run.path,
            run.header.lines.get(key),
            f"{key} in the header must be a number, zero or more",
            f"write it as  # {key} = 0.01",
        )
    return float(value)
