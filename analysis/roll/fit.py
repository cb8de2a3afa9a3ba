"""One roll run in, everything that it tells about the blank out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.angles import HALF_TURN, TURN
from analysis.errors import ReadingsError
from analysis.estimate import Estimate, Share
from analysis.plausible import doubted_length, doubted_load, doubted_travel
from analysis.readings import Floats, RollReadings
from analysis.roll import by_hand, model
from analysis.roll.advice import shelf_words, third_snap_words, too_short, travel_zero_words, warnings_of
from analysis.roll.answers import (
    bow_frame,
    bow_of,
    curve_of,
    delta_slopes,
    length,
    plane,
    plane_p_value,
    plane_slopes,
    snaps_of,
    with_common,
)
from analysis.roll.chuck import NORMAL, Chuck, Common, taken_off, whole
from analysis.roll.estimator import PLANE_LEVEL, Fitted, estimate
from analysis.roll.lag import Lagged, fitted_lag, taken_back
from analysis.roll.mark import mark_of
from analysis.roll.model import Kind
from analysis.roll.more_snaps import ThirdWave, third_snap, third_wave
from analysis.roll.result import Mark, MarkRule, RollResult
from analysis.roll.scatter import Part, Scatter
from analysis.roll.shares import LeftOut, Systematics
from analysis.roll.sift import Sifted, sift
from analysis.roll.snaps import shelf
from analysis.roll.tensor import SIZE, Blank, Matrix, energy_of


def fit_roll(
    readings: RollReadings,
    *,
    mark_rule: MarkRule = "snap",
    initial_stiffness: Estimate | None = None,
    curve: bool = False,
    chuck: Chuck | None = None,
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
    chuck : Chuck or None
        What is known of the chuck, from several mounts of a blank (`fit_mounts`) or guessed; its part is
        taken off, and what is not known of it, of seating and of the index mark enters every half-width.
        None: the chuck is taken as perfect.

    Returns
    -------
    RollResult

    Raises
    ------
    ReadingsError
        If the readings cannot be used at all (see `analysis.roll.sift.sift`).
    """
    return RollFit(readings, chuck).told(mark_rule, initial_stiffness, curve=curve)


@dataclass(frozen=True, slots=True)
class Measured:
    """The blank's five numbers from one run, or from several mounts, before they are put into words."""

    sifted: Sifted
    """The readings (of the first mount)."""
    fitted: Fitted
    """The fit (of the first mount)."""
    numbers: Floats
    """k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ, shape (5,)."""
    spread: Matrix
    """Their covariance, shape (5, 5)."""
    dof: float
    """Degrees of freedom behind it."""
    p_value: float
    """Probability that noise alone makes the 2-per-turn part so large."""
    left_out: tuple[LeftOut, ...]
    """What the model leaves out."""
    third: ThirdWave
    """Three waves a turn, which neither bow nor stiffness makes."""
    mount_parts: tuple[Part, ...] = ()
    """What each mount adds anew to the covariance: seating and index mark."""
    common: Common | None = None
    """What the chuck leaves unknown; None: it is taken as perfect."""
    lag: Estimate | None = None
    """Lag of a run both ways, s."""

    @property
    def own(self) -> Scatter:
        """Of the numbers without the chuck's errors: the run's noise, seating and index mark."""
        return Scatter.of(self.spread, self.dof).joined(*self.mount_parts)


class RollFit:
    """One roll run fitted once, to be put into words more than once.

    What a flex run tells of the same blank changes the barriers and not the fit.

    Parameters
    ----------
    readings, chuck
        As in `fit_roll`.

    Raises
    ------
    ReadingsError
        As `fit_roll`.
    """

    def __init__(self, readings: RollReadings, chuck: Chuck | None = None) -> None:
        self._readings = readings
        measured = measure(readings)
        if isinstance(measured, Measured) and chuck is not None:
            measured = without(measured, readings, chuck)
        self._measured = measured

    def told(
        self,
        mark_rule: MarkRule = "snap",
        initial_stiffness: Estimate | None = None,
        *,
        curve: bool = False,
    ) -> RollResult:
        """Give the result, as `fit_roll` does."""
        if not isinstance(self._measured, Measured):
            return _nothing(self._readings, self._measured, mark_rule)
        return told(self._readings, self._measured, mark_rule, initial_stiffness, curve=curve)


def measure(readings: RollReadings) -> Measured | Sifted:
    """Fit one run; where too little of the turn was rolled, only its sifted readings come back.

    Raises
    ------
    ReadingsError
        As `fit_roll`.
    """
    _refuse_other_units(readings)
    table = by_hand.table_of(readings)
    if table is not None:
        return _plausible(readings, _measured_by_hand(readings, table))
    sifted = sift(readings)
    kind: Kind = "hanging" if readings.held_load_N is not None else readings.contact
    if not sifted.long_enough:
        return sifted
    try:
        lagged = Lagged(sifted, 0.0, None)
        if not readings.at_rest:
            lagged = fitted_lag(sifted, kind)
            if not sifted.two_way and readings.rig.lag_s is not None:
                lagged = Lagged(taken_back(sifted, readings.rig.lag_s), readings.rig.lag_s, None)
        fitted = estimate(lagged.sifted, kind, lagged.column)
    except np.linalg.LinAlgError as error:
        raise ReadingsError(
            "the readings do not determine the blank",
            "roll a whole turn at an even speed and record again",
        ) from error
    return _plausible(readings, replace(_as_measured(lagged.sifted, fitted), lag=_lag(lagged, fitted)))


def _refuse_other_units(readings: RollReadings) -> None:
    """Refuse a free length or a held travel that no blank has.

    Raises
    ------
    ReadingsError
        With the likely unit.
    """
    doubt = doubted_length(readings.free_length_m)
    if doubt is None and readings.held_load_N is None:
        travel = _held(readings)
        if travel > 0.0:
            own = readings.travel_m is not None and bool(np.isfinite(readings.travel_m).any())
            doubt = doubted_travel(travel, readings.free_length_m, None if own else "held_travel_m")
    if doubt is not None:
        doubt.refuse()


def _plausible(readings: RollReadings, measured: Measured | Sifted) -> Measured | Sifted:
    """Refuse a stiffness that no blank has.

    Raises
    ------
    ReadingsError
        With the likely unit.
    """
    if isinstance(measured, Measured):
        # in linear theory the load at a quarter of the length is k·L/4
        doubt = doubted_load(0.25 * readings.free_length_m * float(measured.numbers[0]))
        if doubt is not None:
            doubt.refuse()
    return measured


def _lag(lagged: Lagged, fitted: Fitted) -> Estimate | None:
    """Give the lag that a run both ways shows."""
    at = fitted.columns.lag
    if at is None:
        return None
    error = math.sqrt(fitted.values_spread[at, at])
    return Estimate(lagged.lag_s + float(fitted.values[at]), error, fitted.dof)


def _measured_by_hand(readings: RollReadings, table: Sifted) -> Measured | Sifted:
    """Fit a small table of readings at rest; where it has too few positions, only the table comes back."""
    if table.why_not:
        return table
    kind: Kind = "hanging" if readings.held_load_N is not None else readings.contact
    try:
        fitted = by_hand.estimate(table, kind, readings.steps)
    except np.linalg.LinAlgError as error:
        raise ReadingsError(
            "the positions do not determine the blank", "read at clock positions all round the turn"
        ) from error
    return _as_measured(replace(table, warnings=(*table.warnings, *by_hand.words(table, fitted))), fitted)


def _as_measured(sifted: Sifted, fitted: Fitted) -> Measured:
    """Take a fit for what it says of the blank.

    Raises
    ------
    ReadingsError
        If it is no blank.
    """
    blank = Blank.of(fitted.numbers)
    if not blank.k > 2.0 * blank.delta:
        raise ReadingsError(
            "the mean load is not above zero",
            "check the load cell's sign and zero, bend the blank further",
        )
    return Measured(
        sifted,
        fitted,
        fitted.numbers,
        fitted.spread,
        fitted.dof,
        fitted.p_value,
        _left_out(fitted),
        third_wave(sifted, fitted),
    )


def without(measured: Measured, readings: RollReadings, chuck: Chuck) -> Measured:
    """Take the chuck's part off what was measured in one mount."""
    off = taken_off(measured.numbers, readings.mount, readings.free_length_m, chuck)
    every = whole(Scatter.of(measured.spread, measured.dof).joined(*off.mount_parts), off.common)
    p_value = plane_p_value(off.numbers[3:], every.block(slice(3, 5)))
    if not chuck.values.any():  # the numbers are as they were: noise alone was tested already, and better
        p_value = max(p_value, measured.p_value)
    return replace(
        measured, numbers=off.numbers, p_value=p_value, mount_parts=off.mount_parts, common=off.common
    )


def told(
    readings: RollReadings,
    measured: Measured,
    mark_rule: MarkRule,
    initial_stiffness: Estimate | None,
    *,
    curve: bool,
) -> RollResult:
    """Put the five numbers into planes, bow, snap positions and the mark, with all shares of the half-widths.

    Parameters, as `fit_roll`, with what was measured.
    """
    sifted, fitted, left_out = measured.sifted, measured.fitted, measured.left_out
    own, common = measured.own, measured.common
    every = whole(own, common)
    blank = Blank.of(measured.numbers)
    travel = _travel(readings, blank)
    systematics = Systematics.of(readings, blank, travel, sifted, index_in_scatter=common is not None)

    def with_chuck(noise: Estimate, all_in: Estimate, row: Floats) -> Estimate:
        return (
            noise
            if common is None
            else with_common(noise, all_in, np.asarray(row @ common.moves), common.name)
        )

    moved = [(left, left.shifted(blank)) for left in left_out]

    def with_left_out(
        estimate: Estimate, quantity: Callable[[Blank], float], period: float = math.inf
    ) -> Estimate:
        return estimate.with_shares(left.moves(quantity, blank, others, period) for left, others in moved)

    mean_load = blank.k * travel
    stiff_plane = None
    if measured.p_value < PLANE_LEVEL:
        stiff_plane = with_chuck(plane(blank, own), plane(blank, every), plane_slopes(blank))
        stiff_plane = stiff_plane.with_shares(systematics.stiff_plane(blank.anisotropy))
        stiff_plane = with_left_out(stiff_plane, lambda it: it.stiff_plane, HALF_TURN)
    pair = (blank.d_cos, blank.d_sin)
    bias = float(np.trace(measured.spread[3:, 3:]))
    anisotropy = length(*pair, own.block(slice(3, 5)), bias)
    all_in = length(*pair, every.block(slice(3, 5)), bias)
    anisotropy = with_chuck(anisotropy, all_in, delta_slopes(blank)).scaled(2.0 / blank.k)
    anisotropy = anisotropy.with_shares(systematics.anisotropy(anisotropy.value, mean_load))
    zero = _travel_zero(fitted, blank.k)
    off = abs(zero.value) / travel if zero is not None else 0.0
    anisotropy = anisotropy.with_shares([Share("travel zero", anisotropy.value * off)])
    stiffness = Estimate(blank.k, math.sqrt(measured.spread[0, 0]), measured.dof)
    bow, bow_direction = bow_of(blank, own, measured.spread)
    bow_all_in, direction_all_in = bow_of(blank, every, measured.spread)
    toward, across = bow_frame(blank)
    bow = with_chuck(bow, bow_all_in, toward)
    if bow_direction is not None:
        # The chuck alone may make such a bow: then it may point anywhere.
        anywhere = Estimate(bow_direction.value, 0.5 * TURN / NORMAL)
        bow_direction = with_chuck(bow_direction, direction_all_in or anywhere, across)
        bow_direction = bow_direction.with_shares(systematics.bow_direction())
        bow_direction = with_left_out(bow_direction, lambda it: math.atan2(it.bow[1], it.bow[0]), TURN)
    answer = snaps_of(blank, own, travel, initial_stiffness, systematics, left_out, common)
    energy = energy_of(blank, travel)
    third = third_snap(
        measured.third, energy, travel if readings.held_load_N is None else -readings.held_load_N
    )
    ledge = shelf(energy)
    return RollResult(
        travel_m=travel,
        free_length_m=readings.free_length_m,
        plane_found=stiff_plane is not None,
        plane_p_value=measured.p_value,
        stiff_plane=stiff_plane,
        anisotropy=with_left_out(anisotropy, lambda it: it.anisotropy),
        stiffness=with_left_out(
            stiffness.with_shares(systematics.stiffness(blank.k, travel)), lambda it: it.k
        ),
        bow=with_left_out(
            bow.with_shares([*systematics.bow(bow.value, mean_load), Share("travel zero", bow.value * off)]),
            lambda it: math.hypot(*it.bow),
        ),
        bow_direction=bow_direction,
        snaps=answer.snaps,
        barrier_corrected=initial_stiffness is not None,
        mark=mark_of(mark_rule, answer.snaps, answer.tied, stiff_plane),
        coverage=sifted.coverage,
        turns=sifted.turns,
        harmonics=fitted.harmonics,
        friction=_friction(fitted),
        noise=fitted.noise,
        curve=curve_of(sifted, fitted, blank, travel, initial_stiffness) if curve else None,
        warnings=(
            *sifted.warnings,
            *travel_zero_words(zero),
            *warnings_of(readings, sifted, fitted, measured.p_value, anisotropy.value, systematics, answer),
            *chuck_words(measured),
            *third_snap_words(third),
            *shelf_words(ledge),
        ),
        third_snap=third,
        shelf=ledge,
        lag=measured.lag,
        hanging=readings.held_load_N is not None,
    )


def chuck_words(measured: Measured) -> list[str]:
    """Say that a chuck was never measured, and what to do."""
    if measured.common is None or measured.common.measured:
        return []
    return [
        "This rig's chuck was never measured: run-out, uneven support, seating and index mark are guesses,"
        " and they are in every ±. blankbench calibrate chuck measures them."
    ]


def _left_out(fitted: Fitted) -> tuple[LeftOut, ...]:
    """Turn what the model leaves out into shifts of the blank's numbers."""
    out = []
    for leak in fitted.leaks:
        moved = [
            model.to_numbers(fitted.kind, fitted.core + shift, np.zeros((SIZE, SIZE)))[0]
            for shift in leak.shifts
        ]
        out.append(LeftOut(leak.cause, np.array(moved) - fitted.numbers))
    return tuple(out)


def _travel(readings: RollReadings, blank: Blank) -> float:
    """Travel of the run: held, or the mean over the roll under the hanging weight, m."""
    if readings.held_load_N is not None:
        return readings.held_load_N * blank.k / (blank.k**2 - blank.delta**2)
    return _held(readings)


def _held(readings: RollReadings) -> float:
    """Mean held travel, m."""
    if readings.travel_m is not None and np.isfinite(readings.travel_m).any():
        return float(np.nanmean(readings.travel_m))
    return float(readings.held_travel_m or math.nan)


def _travel_zero(fitted: Fitted, stiffness: float) -> Estimate | None:
    """How far the travel's zero stands off by the loads at two travels, m; None from one travel."""
    at = fitted.columns.zero
    if at is None:
        return None
    return Estimate(
        float(fitted.values[at]) / stiffness, math.sqrt(fitted.values_spread[at, at]) / stiffness, fitted.dof
    )


def _friction(fitted: Fitted) -> Estimate | None:
    at = fitted.columns.friction
    if at is None:
        return None
    return Estimate(
        abs(float(fitted.values[at])),
        math.sqrt(fitted.values_spread[at, at]),
        fitted.dof,
    )


def _nothing(readings: RollReadings, sifted: Sifted, rule: MarkRule) -> RollResult:
    """Claim nothing: too little of the turn was rolled."""
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
        mark=Mark(
            None,
            rule,
            None,
            f"No mark: {sifted.why_not}"
            if sifted.why_not
            else "No mark: less than 120° of the turn were rolled.",
        ),
        coverage=sifted.coverage,
        turns=sifted.turns,
        harmonics=0,
        friction=None,
        noise=math.nan,
        curve=None,
        warnings=(sifted.why_not or too_short(sifted), *sifted.warnings),
        hanging=readings.held_load_N is not None,
    )
