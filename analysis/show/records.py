"""Results as plain dictionaries for ``--json``: SI with the unit in the key, angles in degrees.

A quantity's 95 % half-width has the same key with ``_ci95`` before the unit. Planes lie in [0, 180), all
other angles in [0, 360). What is not known is ``None``; no number is ever nan or infinite, which JSON has
no word for. Keys that every reader may rely on come first, extra ones after ``warnings``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.angles import wrap
from analysis.bend.result import ClassCall, Direct, FlexResult, Station
from analysis.decide.batch import BatchResult, Metric
from analysis.estimate import Estimate
from analysis.roll.result import RollResult
from analysis.show.json_values import Json, ci95_of, number_of, strings_of, to_json, value_of

__all__ = ["Json", "batch_record", "flex_record", "roll_record", "to_json"]

_PLANE_DEG = 180.0
_TURN_DEG = 360.0
_PERCENT = 100.0


def roll_record(
    result: RollResult, *, blank: str, model: str | None, run: str | Sequence[str]
) -> dict[str, Json]:
    """One roll result as a dictionary.

    Parameters
    ----------
    result : RollResult
        Of one run, or of several mounts together.
    blank : str
        Name of the blank.
    model : str or None
        Name of the model, where the run states it.
    run : str or sequence of str
        Path as given; several for a joint fit, which become an array.

    Returns
    -------
    dict
        ``stiff_plane_*`` are None where no plane was found, whatever the fit's best guess was.
    """
    plane = result.stiff_plane if result.plane_found else None
    snaps, mark = result.snaps, result.mark
    record: dict[str, Json] = {
        "blank": blank,
        "model": model,
        "run": run if isinstance(run, str) else list(run),
        "travel_m": number_of(result.travel_m),
        "plane_found": bool(result.plane_found),
        "stiff_plane_deg": _angle(plane, _PLANE_DEG),
        "stiff_plane_ci95_deg": _angle_ci95(plane),
        "anisotropy_pct": value_of(result.anisotropy, _PERCENT),
        "anisotropy_ci95_pct": ci95_of(result.anisotropy, _PERCENT),
        "stiffness_N_per_m": value_of(result.stiffness),
        "stiffness_ci95_N_per_m": ci95_of(result.stiffness),
        "bow_m": value_of(result.bow),
        "bow_ci95_m": ci95_of(result.bow),
        "bow_deg": _angle(result.bow_direction, _TURN_DEG),
        "bow_ci95_deg": _angle_ci95(result.bow_direction),
        "snap_deg": [_angle(snap.angle, _TURN_DEG) for snap in snaps],
        "snap_ci95_deg": [_angle_ci95(snap.angle) for snap in snaps],
        "snap_barrier_J": [value_of(snap.barrier) for snap in snaps],
        "snap_barrier_ci95_J": [ci95_of(snap.barrier) for snap in snaps],
        "snap_cause": [str(snap.cause) for snap in snaps],
        "barrier_corrected": bool(result.barrier_corrected),
        "mark_deg": _angle(mark.angle, _TURN_DEG),
        "mark_ci95_deg": _angle_ci95(mark.angle),
        "mark_rule": str(mark.rule),
        "mark_tie": None if mark.angle is None else _degrees(mark.tie, _TURN_DEG),
        "warnings": strings_of(result.warnings),
    }
    return record | _roll_extras(result, plane)


def _roll_extras(result: RollResult, plane: Estimate | None) -> dict[str, Json]:
    """Keys of a roll result that stand after ``warnings``."""
    return {
        "soft_plane_deg": None if plane is None else _degrees(plane.value + 0.5 * math.pi, _PLANE_DEG),
        "mark_why": str(result.mark.why),
        "lag_s": value_of(result.lag),
        "lag_ci95_s": ci95_of(result.lag),
        "third_snap_cause": None if result.third_snap is None else str(result.third_snap.cause),
        "third_snap_deg": None
        if result.third_snap is None
        else [_degrees(angle, _TURN_DEG) for angle in result.third_snap.angles],
        "shelf_deg": None if result.shelf is None else _degrees(result.shelf.angle, _TURN_DEG),
        "free_length_m": number_of(result.free_length_m),
        "plane_p_value": number_of(result.plane_p_value),
        "covered_pct": number_of(result.coverage * _PERCENT),
        "turns": number_of(result.turns),
        "harmonics": int(result.harmonics),
        "half_width_parts": {
            "stiff_plane_deg": _parts(plane, math.degrees(1.0)),
            "anisotropy_pct": _parts(result.anisotropy, _PERCENT),
            "stiffness_N_per_m": _parts(result.stiffness),
            "bow_m": _parts(result.bow),
            "bow_deg": _parts(result.bow_direction, math.degrees(1.0)),
            "mark_deg": _parts(result.mark.angle, math.degrees(1.0)),
        },
    }


def flex_record(
    result: FlexResult, *, blank: str, model: str | None, run: str | Sequence[str]
) -> dict[str, Json]:
    """One flex result as a dictionary.

    Parameters
    ----------
    result : FlexResult
        Of one run, or of several runs of one blank together.
    blank : str
        Name of the blank.
    model : str or None
        Name of the model, where the run states it.
    run : str or sequence of str
        Path as given; several for a joint fit, which become an array.
    """
    record: dict[str, Json] = {
        "blank": blank,
        "model": model,
        "run": run if isinstance(run, str) else list(run),
        "rated_length_m": number_of(result.rated_length_m),
        "reference_load_N": value_of(result.reference_load),
        "reference_load_ci95_N": ci95_of(result.reference_load),
        "even_blank_rigidity_Nm2": value_of(result.even_blank_rigidity),
        "bend_centre": value_of(result.bend_centre),
        "bend_centre_ci95": ci95_of(result.bend_centre),
        "initial_stiffness_N_per_m": value_of(result.initial_stiffness),
        "initial_stiffness_ci95_N_per_m": ci95_of(result.initial_stiffness),
        "hysteresis_pct": value_of(result.hysteresis, _PERCENT),
        "power_class": None if result.power_class is None else str(result.power_class.name),
        "action_class": None if result.action_class is None else str(result.action_class.name),
        "label_power_probability": number_of(result.label_power_probability),
        "label_action_probability": number_of(result.label_action_probability),
        "rigidity": [_station(station) for station in result.rigidity],
        "warnings": strings_of(result.warnings),
    }
    creep = None if result.creep is None else result.creep.per_decade
    return record | {
        "even_blank_rigidity_ci95_Nm2": ci95_of(result.even_blank_rigidity),
        "hysteresis_ci95_pct": ci95_of(result.hysteresis, _PERCENT),
        **_direct(result.direct),
        "set_after_unloading_m": value_of(result.set_after),
        "set_after_unloading_ci95_m": ci95_of(result.set_after),
        "creep_of": None if result.creep is None else result.creep.of,
        "creep_pct_per_decade": value_of(creep, _PERCENT),
        "creep_ci95_pct_per_decade": ci95_of(creep, _PERCENT),
        "held_s": None if result.creep is None else number_of(result.creep.held_s),
        "free_length_m": number_of(result.free_length_m),
        "extrapolated": bool(result.extrapolated),
        "power_class_probabilities": _probabilities(result.power_class),
        "action_class_probabilities": _probabilities(result.action_class),
        "half_width_parts": {
            "reference_load_N": _parts(result.reference_load),
            "even_blank_rigidity_Nm2": _parts(result.even_blank_rigidity),
            "bend_centre": _parts(result.bend_centre),
            "initial_stiffness_N_per_m": _parts(result.initial_stiffness),
        },
    }


def _direct(direct: Direct | None) -> dict[str, Json]:
    """What the readings say without the model, and what the model says at the same place."""
    load = None if direct is None else direct.load
    read = None if direct is None else direct.small_centre
    by_model = None if direct is None else direct.small_centre_by_model
    return {
        "reference_load_read_N": value_of(load),
        "reference_load_read_ci95_N": ci95_of(load),
        "reference_load_at_free_length_N": None if direct is None else value_of(direct.load_by_model),
        "small_load_bend_centre": value_of(by_model),
        "small_load_bend_centre_ci95": ci95_of(by_model),
        "small_load_bend_centre_read": value_of(read),
        "small_load_bend_centre_read_ci95": ci95_of(read),
    }


def batch_record(result: BatchResult) -> dict[str, Json]:
    """Give a batch's verdict as a dictionary.

    ``values`` are in the metric's ``unit``, ``spread`` and ``tolerance`` in its ``tolerance_unit``.
    """
    return {
        "verdict": str(result.verdict),
        "metrics": {metric.name: _metric(metric) for metric in result.metrics},
        "odd_one_out": result.odd_one_out,
        "warnings": strings_of(result.warnings),
        "odd_why": str(result.odd_why),
    }


def _metric(metric: Metric) -> dict[str, Json]:
    return {
        "unit": metric.unit,
        "values": {str(name): value_of(value) for name, value in metric.values.items()},
        "values_ci95": {str(name): ci95_of(value) for name, value in metric.values.items()},
        "spread": number_of(metric.spread),
        "tolerance": number_of(metric.tolerance),
        "probability_within": number_of(metric.probability_within),
        "verdict": str(metric.verdict),
        "tolerance_unit": metric.tolerance_unit,
        "p_consistent": number_of(metric.p_consistent),
        "p_not_consistent": number_of(metric.p_not_consistent),
        "advice": metric.advice,
    }


def _station(station: Station) -> dict[str, Json]:
    return {
        "s_m": number_of(station.s_m),
        "from_tip_m": number_of(station.from_tip_m),
        "EI_Nm2": value_of(station.rigidity),
        "EI_ci95_Nm2": ci95_of(station.rigidity),
    }


def _parts(estimate: Estimate | None, factor: float = 1.0) -> dict[str, Json] | None:
    """Say what a half-width is made of: ``noise`` first, then each cause; equal causes are put together."""
    if estimate is None:
        return None
    parts: dict[str, Json] = {"noise": number_of(estimate.noise_ci95 * factor)}
    causes: dict[str, float] = {}
    for share in estimate.shares:
        causes[share.cause] = math.hypot(causes.get(share.cause, 0.0), share.ci95)
    return parts | {cause: number_of(ci95 * factor) for cause, ci95 in causes.items()}


def _probabilities(call: ClassCall | None) -> dict[str, Json] | None:
    return None if call is None else {name: number_of(value) for name, value in call.probabilities}


def _degrees(angle: float | None, period_deg: float) -> float | None:
    """Degrees in [0, period) of an angle in rad."""
    number = number_of(angle, math.degrees(1.0))
    return None if number is None else wrap(number, period_deg)


def _angle(estimate: Estimate | None, period_deg: float) -> float | None:
    return None if estimate is None else _degrees(estimate.value, period_deg)


def _angle_ci95(estimate: Estimate | None) -> float | None:
    return ci95_of(estimate, math.degrees(1.0))
