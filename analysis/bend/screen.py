"""A first look at a flex run: what cannot be used, named with its reading; what loads, what unloads."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.bend.rating import REFERENCE_BEND
from analysis.errors import ReadingsError
from analysis.readings import FlexReadings, Floats, refuse_unbelievable

# What decides here is ours, chosen so that no sound run of benchmarks/bend_coverage.py and by_hand.py is
# refused and the faults of tests/analysis/bend/test_screen.py are, unless a source stands with it. Parts of
# the travel are of the largest travel, parts of the load of the largest load.
AT_TIP = 0.98
"""A load beyond this part of the free length acts at the tip."""
FEWEST = 8
"""Fewer readings say nothing about a curve."""
FURTHEST = 0.95
"""Of the free length: a blank whose tip moved further points along the pull all over."""
LEAST_BEND = 0.1 * REFERENCE_BEND
"""Of the arm: a blank that was hardly bent tells nothing of the reference bend."""
_LARGEST = 0.98  # quantile that stands for the largest load or travel: a few spikes do not
_CALM = 5  # readings in the running median of the travel
_FEWEST_TRAVELS, _SAME_TRAVEL = 5, 0.02  # a curve needs so many travels, apart by that part of the largest
_FEWEST_ON_BRANCHES = 40  # with fewer, the readings at the turn are kept too

_FAR, _HEAVY = 0.3, 0.2  # of travel and load: from here on their signs are clear
_MOST_OF_THEM = 0.5  # of the clear readings, to call a sign wrong
_TIP_FAR = 0.5  # of the travel: from here on the tip's slope is clear

_SLIP_WIDTH = 5  # readings on either side whose medians tell a lasting jump from a spike
_SLIP = 0.025  # of the travel: a smaller jump does no harm
_SLIP_OVER_NOISE = 10.0  # standard deviations of the travel
_SLIP_OVER_STEP = 8.0  # usual steps between readings
_LASTS = 0.7  # of the jump: what the medians on either side must show of it
_UNEXPLAINED = 0.5  # of the jump: what the load must leave unexplained

_TURN_BACK = 0.10  # of the travel: a step back that is no longer a trembling hand
_BACK_OVER_NOISE = 8.0  # standard deviations of the travel
_CREST, _TROUGH = 0.7, 0.3  # of the travel: turning beyond these belongs to whole sweeps
_AT_THE_TURN = 0.5  # of the travel: above it the load creeps at the turn, below there is none to creep
_HELD = 0.01  # of the travel: held at the turn, where the load creeps
_CROSSING = 0.04  # of the travel: after the turn the load passes from one branch of its loop to the other

_ZERO_MOVED = 0.06  # of the load
_ZERO_OVER_NOISE = 6.0  # standard errors of the load at no travel
_NEAR_ZERO = 0.06  # of the travel
_MEDIAN_ERROR = 1.25  # standard error of a median over that of a mean, normal: √(π/2) = 1.2533 (closed form)
_EARLY, _FEWEST_EARLY = 0.35, 6  # of the travel: the load is still nearly a straight line in it

_MAD_TO_SIGMA = 1.4826  # 1/Φ⁻¹(¾), normal (closed form)
_THIRD_DIFFERENCES = 20.0  # 1² + 3² + 3² + 1²: variance of third differences of white noise


@dataclass(frozen=True, slots=True)
class Sweep:
    """The usable readings of one run, in the order they were taken."""

    row: NDArray[np.intp]
    """Index of each in the arrays that were given, shape (n,)."""
    load_N: Floats
    """Load, N, shape (n,)."""
    travel_m: Floats
    """Travel, m, shape (n,)."""
    tip: Floats
    """Tip slope, rad, nan where missing, shape (n,)."""
    side: Floats
    """1.0 loading, −1.0 unloading, shape (n,); what lies between the two at the turn is left out."""
    scatter: tuple[float, float, float]
    """Standard deviation of load, travel and tip slope from reading to reading (nan without tip slope)."""
    by_hand: bool = False
    """True for a short table by hand: `scatter` is then what its ruler and scale can do."""

    @property
    def both_ways(self) -> bool:
        """True if the run has enough of loading and of unloading to tell them apart."""
        fewest = min(int(np.sum(self.side > 0.0)), int(np.sum(self.side < 0.0)))
        if self.by_hand:
            return fewest >= 2
        return fewest >= max(4.0, 0.1 * self.side.size)


def at_tip(run: FlexReadings) -> bool:
    """Whether the load of a run acts at the tip."""
    return run.station_m is None or run.station_m > AT_TIP * run.free_length_m


def scatter(values: Floats) -> float:
    """Standard deviation of the noise on a smooth series, from its third differences (robust).

    White noise of variance σ² has third differences of variance 20·σ².
    """
    if values.size < FEWEST:
        return math.nan
    third = np.diff(values, 3)
    return float(_MAD_TO_SIGMA * np.median(np.abs(third - np.median(third))) / math.sqrt(_THIRD_DIFFERENCES))


def screen(readings: FlexReadings) -> Sweep:
    """Look a run over.

    Raises
    ------
    ReadingsError
        Where the run cannot be used: what is wrong, what to do, and the reading's row.
    ValueError
        If the arrays do not fit together.
    """
    refuse_unbelievable(np.asarray(readings.time_s, float), "time", "s")
    load, travel, tip = arrays_of(readings)
    row = np.flatnonzero(np.isfinite(load) & np.isfinite(travel))
    if row.size < FEWEST:
        raise ReadingsError(
            f"only {row.size} readings have both a load and a travel",
            f"record at least {FEWEST}, better a few hundred, from no load to a quarter of the length",
            int(row[-1]) if row.size else None,
        )
    load, travel, tip = load[row], travel[row], tip[row]
    check_signs(load, travel, row)
    calm = median_filter(travel, size=_CALM, mode="nearest")
    _check_reach(readings, calm, row)
    if not float(np.quantile(load, _LARGEST)) > 0.0:
        raise ReadingsError(
            "the blank bends and no load is read", "check the load cell and its calibration", int(row[0])
        )
    check_tip(travel, tip, row)
    noise = (scatter(load), scatter(travel), scatter(tip[np.isfinite(tip)]))
    _check_slip(load, travel, calm, row, noise)
    side = _sides(travel, calm, row, noise[1])
    _check_zero(load, travel, calm, row, noise)
    distinct = np.unique(np.round(calm / (_SAME_TRAVEL * float(np.max(calm))))).size
    if distinct < _FEWEST_TRAVELS:
        raise ReadingsError(
            f"the readings stand at only {distinct} different travels",
            "take at least five between no load and the largest",
            int(row[-1]),
        )
    branch = side != 0.0
    if np.sum(branch) < _FEWEST_ON_BRANCHES:
        branch[:] = True
    return Sweep(row[branch], load[branch], travel[branch], tip[branch], side[branch], noise)


def arrays_of(readings: FlexReadings) -> tuple[Floats, Floats, Floats]:
    """Load, travel and tip slope (nan where there is none), each of shape (n,).

    Raises
    ------
    ReadingsError
        If a reading is beyond belief.
    ValueError
        If the arrays do not fit together.
    """
    load, travel = np.asarray(readings.load_N, float), np.asarray(readings.travel_m, float)
    tip = np.full(load.shape, np.nan) if readings.tip is None else np.asarray(readings.tip, float)
    if load.ndim != 1 or travel.shape != load.shape or tip.shape != load.shape:
        raise ValueError("load, travel and tip slope have one value a reading")
    if not (math.isfinite(readings.free_length_m) and readings.free_length_m > 0.0):
        raise ValueError("the free length is a positive number")
    refuse_unbelievable(load, "load", "N")
    refuse_unbelievable(travel, "travel", "m")
    refuse_unbelievable(tip, "tip slope", "rad")
    return load, travel, tip


def _check_reach(readings: FlexReadings, calm: Floats, row: NDArray[np.intp]) -> None:
    """Refuse a blank that was hardly bent, and one that moved further than a blank can."""
    top, at = float(np.max(calm)), int(row[int(np.argmax(calm))])
    arm = readings.station_m or readings.free_length_m
    least = LEAST_BEND * arm
    where = "tip" if arm > AT_TIP * readings.free_length_m else "hook"
    if top < least:
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm at most, less than a tenth of the reference bend",
            f"load on until it has moved {1e3 * 10 * least:.0f} mm, a quarter of "
            + ("the free length" if where == "tip" else "its distance from the chuck"),
            at,
        )
    if top > FURTHEST * arm:
        arm_words = "free length is" if where == "tip" else "hook's distance from the chuck is"
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm, and the {arm_words} {1e3 * arm:.0f} mm",
            f"check the unit of the travel and the {'free length' if where == 'tip' else 'station'}",
            at,
        )


def check_signs(load: Floats, travel: Floats, row: NDArray[np.intp]) -> None:
    """Refuse load and travel of opposite signs, or both negative."""
    far = np.abs(travel) > _FAR * np.quantile(np.abs(travel), _LARGEST)
    heavy = np.abs(load) > _HEAVY * np.quantile(np.abs(load), _LARGEST)
    clear = np.flatnonzero(far & heavy)
    against = clear[load[clear] * travel[clear] < 0.0]
    if against.size > _MOST_OF_THEM * clear.size:
        raise ReadingsError(
            "load and travel have opposite signs",
            "turn the sign of the one that does not grow along the pull in the settings",
            int(row[against[0]]),
        )
    if clear.size and np.mean(travel[clear] < 0.0) > _MOST_OF_THEM:
        raise ReadingsError(
            "load and travel are both negative",
            "both count along the pull: turn both signs in the settings",
            int(row[clear[0]]),
        )


def check_tip(travel: Floats, tip: Floats, row: NDArray[np.intp]) -> None:
    """Refuse a tip slope that counts away from the pull."""
    far = np.flatnonzero(np.isfinite(tip) & (travel > _TIP_FAR * np.max(travel)))
    if far.size and float(np.median(tip[far])) < 0.0:
        raise ReadingsError(
            "the tip's slope and the travel have opposite signs",
            "turn the sign of the tip's sensor: it counts positive toward the pull",
            int(row[far[0]]),
        )


def _check_slip(
    load: Floats,
    travel: Floats,
    calm: Floats,
    row: NDArray[np.intp],
    noise: tuple[float, float, float],
) -> None:
    """Find a lasting jump of the travel that the load does not follow."""
    n = travel.size
    width = min(_SLIP_WIDTH, n // 4)
    if width < 2:
        return
    top, most = float(np.max(calm)), float(np.quantile(load, _LARGEST))
    views = np.lib.stride_tricks.sliding_window_view
    middle = np.median(views(travel, width), axis=1)
    middle_load = np.median(views(load, width), axis=1)
    jump, follows = middle[width:] - middle[:-width], middle_load[width:] - middle_load[:-width]
    at = np.arange(width, n - width + 1)  # the first reading after the jump
    single = travel[at] - travel[at - 1]
    usual = float(np.median(np.abs(np.diff(travel))))
    sure = _SLIP_OVER_NOISE * max(noise[1], 0.0) if math.isfinite(noise[1]) else 0.0
    least = max(_SLIP * top, sure, _SLIP_OVER_STEP * usual)
    local = top / most if most > 0.0 else 0.0  # travel per load, roughly
    slipped = (
        (np.abs(single) > least)
        & (np.abs(jump) > _LASTS * np.abs(single))
        & (np.sign(jump) == np.sign(single))
        & (np.abs(jump) - np.abs(follows) * local > _UNEXPLAINED * np.abs(single))
    )
    if np.any(slipped):
        first = int(at[np.argmax(np.where(slipped, np.abs(single), 0.0))])
        raise ReadingsError(
            f"the travel jumps by {1e3 * abs(travel[first] - travel[first - 1]):.0f} mm at the same load: "
            "the hook or the string slipped",
            "fix the hook to the tip and record the run again",
            int(row[first]),
        )


def _turns(values: Floats, back: float) -> list[int]:
    """Indices where a series turns by more than `back`, first and last reading included."""
    turns = [0]
    rising = True
    best = 0
    for i, value in enumerate(values):
        ahead = value - values[best] if rising else values[best] - value
        if ahead >= 0.0:
            best = i
        elif -ahead > back:
            if best != turns[-1]:
                turns.append(best)
            rising = not rising
            best = i
    if best != turns[-1]:
        turns.append(best)
    if turns[-1] != values.size - 1:
        turns.append(values.size - 1)
    return turns


def _sides(travel: Floats, calm: Floats, row: NDArray[np.intp], noise: float) -> Floats:
    """Loading or unloading for each reading, from the travel's turns."""
    top = float(np.max(calm))
    back = max(_TURN_BACK * top, _BACK_OVER_NOISE * noise if math.isfinite(noise) else 0.0)
    turns = _turns(calm, back)
    inner = turns[1:-1]
    for place, turn in enumerate(inner):
        crest = calm[turn] > calm[turns[place]]
        whole = calm[turn] > _CREST * top if crest else calm[turn] < _TROUGH * top
        if not whole:
            following = turns[place + 2]
            raise ReadingsError(
                f"the travel turns back at {1e3 * calm[turn]:.0f} mm, in the middle of the run",
                "load in one sweep and unload in one sweep",
                int(row[min(turn + 1, following)]),
            )
    side = np.zeros(travel.size)
    for start, end in itertools.pairwise(turns):
        side[start : end + 1] = 1.0 if calm[end] >= calm[start] else -1.0
    for turn in inner:
        if calm[turn] > _AT_THE_TURN * top:
            first, last = turn, turn
            while first > 0 and calm[first - 1] > calm[turn] - _HELD * top:
                first -= 1
            while last < travel.size - 1 and calm[last + 1] > calm[turn] - _CROSSING * top:
                last += 1
            side[first : last + 1] = 0.0
    return side


def _check_zero(
    load: Floats,
    travel: Floats,
    calm: Floats,
    row: NDArray[np.intp],
    noise: tuple[float, float, float],
) -> None:
    """Load left at no travel: at the start it must be nothing, at the end nearly so."""
    most, top = float(np.quantile(load, _LARGEST)), float(np.max(calm))
    turn = int(np.argmax(calm))
    slack = top / most if most > 0.0 else math.inf
    sigma = noise[0] if math.isfinite(noise[0]) else 0.0
    sigma = math.hypot(sigma, noise[1] / slack if math.isfinite(noise[1]) else 0.0)
    for which, part in (("start", slice(0, turn)), ("end", slice(turn, None))):
        low = np.flatnonzero(np.abs(calm[part]) < _NEAR_ZERO * top) + (part.start or 0)
        if low.size == 0:
            continue
        # Near no travel the load is a straight line in it; a blank that stiffens does so later.
        level = float(np.median(load[low] - travel[low] / _early_slack(load, travel, top, slack)))
        error = _MEDIAN_ERROR * sigma / math.sqrt(low.size)
        limit = max(_ZERO_MOVED * most, _ZERO_OVER_NOISE * error)
        if abs(level) > limit:
            raise ReadingsError(
                f"the zero moved: at no travel the load reads {level:.2f} N at the {which} of the run",
                "let the tip go free, set load and travel to zero, and record the run again",
                int(row[low[0]]),
            )


def _early_slack(load: Floats, travel: Floats, top: float, otherwise: float) -> float:
    """Travel per load at small travel, m/N, from the differences of the readings below a third of the way."""
    near = np.flatnonzero((travel > 0.0) & (travel < _EARLY * top))
    if near.size < _FEWEST_EARLY:
        return otherwise
    slope = np.polyfit(travel[near], load[near], 1)[0]
    return 1.0 / float(slope) if slope > 0.0 else otherwise
