"""One roll run in, everything that it tells about the blank out."""

from __future__ import annotations

import math

import numpy as np

from analysis.angles import TURN
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, coverage_factor
from analysis.readings import RollReadings
from analysis.roll import model
from analysis.roll.derive import SnapAnswer, bow_of, direction, length, snaps_of
from analysis.roll.estimator import Fitted, estimate
from analysis.roll.mark import mark_of
from analysis.roll.model import Kind
from analysis.roll.result import MarkRule, RollCurve, RollResult
from analysis.roll.shares import DEFAULT_FRICTION_N, Systematics
from analysis.roll.sift import Sifted, sift
from analysis.roll.tensor import SIZE, Blank, energy_of

PLANE_LEVEL = 0.05
"""False-alarm rate of `RollResult.plane_found`."""
_GRID = 361
"""Angles in the curves for a figure."""


def fit_roll(
    readings: RollReadings,
    *,
    mark_rule: MarkRule = "snap",
    initial_stiffness: Estimate | None = None,
    curve: bool = False,
) -> RollResult:
    """Planes, bow, snap positions and the mark of one roll run.

    Parameters
    ----------
    readings : RollReadings
        One run: tip held sideways or free, or a hanging weight.
    mark_rule : {"snap", "snap-back", "stiff", "soft"}
        The shop's rule for the mark.
    initial_stiffness : Estimate or None
        Stiffness at small travel (N/m) from a flex run of the same blank; with it the barriers are corrected
        for the large bend.
    curve : bool
        Whether to return the arrays behind a figure.

    Returns
    -------
    RollResult

    Raises
    ------
    ReadingsError
        If the readings cannot be used at all (see `analysis.roll.sift.sift`).
    """
    sifted = sift(readings)
    kind: Kind = "hanging" if readings.held_load_N is not None else readings.contact
    warnings = list(sifted.warnings)
    if not sifted.long_enough:
        warnings.insert(0, _too_short(sifted))
        return _nothing(readings, sifted, mark_rule, tuple(warnings))
    try:
        fitted = estimate(sifted, kind)
    except np.linalg.LinAlgError as error:
        raise ReadingsError(
            "the readings do not determine the blank",
            "roll a whole turn at an even speed and record again",
        ) from error
    blank = Blank.of(fitted.numbers)
    if not blank.k > 2.0 * blank.delta:
        raise ReadingsError(
            "the mean load is not above zero",
            "check the load cell's sign and zero, bend the blank further",
        )
    travel = _travel(readings, sifted, blank)
    systematics = Systematics.of(readings, blank, travel, sifted.two_way)
    mean_load = blank.k * travel
    found = fitted.p_value < PLANE_LEVEL
    stiff_plane = None
    if found:
        stiff_plane = direction(blank.d_cos, blank.d_sin, fitted.spread[3:, 3:], fitted.dof, 2)
    spread, dof = fitted.spread, fitted.dof
    size = length(blank.d_cos, blank.d_sin, spread[3:, 3:], dof).scaled(2.0 / blank.k)
    if stiff_plane is not None:
        stiff_plane = stiff_plane.with_shares(systematics.stiff_plane(blank.anisotropy))
    bow, bow_direction = bow_of(blank, spread, dof)
    answer = snaps_of(blank, spread, dof, travel, initial_stiffness, systematics)
    mark = mark_of(mark_rule, answer.snaps, answer.tied, stiff_plane)
    warnings += _warnings(readings, sifted, fitted, found, size.value, systematics, answer)
    return RollResult(
        travel_m=travel,
        free_length_m=readings.free_length_m,
        plane_found=stiff_plane is not None,
        plane_p_value=fitted.p_value,
        stiff_plane=stiff_plane,
        anisotropy=size.with_shares(systematics.anisotropy(size.value, mean_load)),
        stiffness=Estimate(blank.k, math.sqrt(spread[0, 0]), dof).with_shares(
            systematics.stiffness(blank.k, travel)
        ),
        bow=bow.with_shares(systematics.bow(bow.value, mean_load)),
        bow_direction=None
        if bow_direction is None
        else bow_direction.with_shares(systematics.bow_direction()),
        snaps=answer.snaps,
        barrier_corrected=initial_stiffness is not None,
        mark=mark,
        coverage=sifted.coverage,
        turns=sifted.turns,
        harmonics=fitted.harmonics,
        friction=_friction(fitted),
        noise=fitted.noise,
        curve=_curve(sifted, fitted, blank, travel, initial_stiffness) if curve else None,
        warnings=tuple(warnings),
        hanging=kind == "hanging",
    )


def _travel(readings: RollReadings, sifted: Sifted, blank: Blank) -> float:
    """Travel of the run: held, or the mean under the hanging weight, m."""
    if readings.held_load_N is not None:
        determinant = blank.k**2 - blank.delta**2
        return readings.held_load_N * blank.k / determinant
    return float(sifted.travel.mean())


def _friction(fitted: Fitted) -> Estimate | None:
    at = fitted.columns.friction
    if at is None:
        return None
    return Estimate(
        abs(float(fitted.values[at])),
        math.sqrt(fitted.values_spread[at, at]),
        fitted.dof,
    )


def _too_short(sifted: Sifted) -> str:
    return (
        f"Only {sifted.coverage * 360.0:.0f}° of the turn were rolled; nothing is claimed below 120°."
        " Roll a whole turn."
    )


def _nothing(readings: RollReadings, sifted: Sifted, rule: MarkRule, warnings: tuple[str, ...]) -> RollResult:
    mark = mark_of(rule, (), False, None)
    return RollResult(
        travel_m=float(sifted.travel.mean() if readings.held_load_N is None else sifted.reading.mean()),
        free_length_m=readings.free_length_m,
        plane_found=False,
        plane_p_value=math.nan,
        stiff_plane=None,
        anisotropy=None,
        stiffness=None,
        bow=None,
        bow_direction=None,
        snaps=(),
        barrier_corrected=False,
        mark=mark,
        coverage=sifted.coverage,
        turns=sifted.turns,
        harmonics=0,
        friction=None,
        noise=math.nan,
        curve=None,
        warnings=warnings,
        hanging=readings.held_load_N is not None,
    )


def _warnings(
    readings: RollReadings,
    sifted: Sifted,
    fitted: Fitted,
    found: bool,
    anisotropy: float,
    systematics: Systematics,
    answer: SnapAnswer,
) -> list[str]:
    out = []
    if not found:
        out.append(
            "No stiff plane can be told from the noise. More turns, both ways, or more travel would help."
        )
    elif anisotropy < systematics.bow_alone:
        out.append(
            f"The natural bow alone may explain this anisotropy ({100 * anisotropy:.2f} %):"
            f" below {100 * systematics.bow_alone:.2f} % the plane may be the bow's own."
        )
    if answer.unsure > 0.05:
        out.append(
            "The number of snap positions is not sure: the blank is near the edge between one and two."
        )
    if answer.untold:
        out.append("A snap position that the noise hides is left out.")
    if not sifted.two_way and readings.rig.friction_N is None:
        out.append(
            f"Rolled in one direction, so the rig's friction cannot be told; our own value of"
            f" {1000 * DEFAULT_FRICTION_N:.0f} mN is taken. Roll both ways once to learn it."
        )
    if not readings.rig.states_calibration:
        out.append("The run states no calibration, so the half-widths hold none.")
    left_out = int(fitted.spike.sum())
    if left_out:
        out.append(f"{left_out} readings stand far off their neighbours (spikes) and are left out.")
    if sifted.coverage < 0.75:
        out.append(
            f"Only {sifted.coverage * 360.0:.0f}° of the turn were rolled, so half-widths are wide."
            " Roll a whole turn."
        )
    return out


def _curve(
    sifted: Sifted,
    fitted: Fitted,
    blank: Blank,
    travel: float,
    initial: Estimate | None,
) -> RollCurve:
    scale = float(sifted.travel.mean())
    grid = np.linspace(0.0, TURN, _GRID)
    waves = np.exp(1j * grid)
    columns = fitted.columns
    at_grid = np.zeros((fitted.values.size, grid.size))
    for row in range(SIZE):
        up, down = fitted.core.copy(), fitted.core.copy()
        size = 1e-6 * max(abs(fitted.core[0]), abs(fitted.core[row]))
        up[row] += size
        down[row] -= size
        at_grid[row] = (
            model.core_at(grid, scale, fitted.kind, up) - model.core_at(grid, scale, fitted.kind, down)
        ) / (2.0 * size)
    wave = waves * waves
    for row in range(columns.waves, fitted.values.size, 2):
        wave = wave * waves
        at_grid[row], at_grid[row + 1] = wave.real, wave.imag
    shown = model.core_at(grid, scale, fitted.kind, fitted.core)
    shown = shown + fitted.values[columns.waves :] @ at_grid[columns.waves :]
    nuisance = fitted.values[SIZE : columns.waves] @ columns.rows[SIZE : columns.waves]
    variance = np.einsum("ki,kl,li->i", at_grid, fitted.values_spread, at_grid)
    k0 = None if initial is None else initial.value
    energy = energy_of(blank, travel, k0)(grid)
    return RollCurve(
        roll=np.mod(sifted.roll, TURN),
        reading=sifted.reading - nuisance,
        left_out=fitted.spike.astype(float),
        grid=grid,
        model=shown,
        model_ci95=coverage_factor(fitted.dof) * np.sqrt(np.maximum(variance, 0.0)),
        energy=energy - energy.min(),
    )
