"""A first look at a flex run: what cannot be used, named with its reading; what loads, what unloads."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.errors import ReadingsError
from analysis.readings import FlexReadings, Floats, refuse_unbelievable

AT_TIP = 0.98
"""A load beyond this part of the free length acts at the tip."""
FEWEST = 8
"""Fewer readings say nothing about a curve."""
_TURN_BACK = 0.10  # of the largest travel: a step back that is no longer a trembling hand
_ZERO_MOVED = 0.06  # of the largest load
FURTHEST = 0.95
"""Of the free length: a blank whose tip moved further points along the pull all over."""
_HELD = 0.01  # of the largest travel: held at the turn, where the load creeps
_CROSSING = (
    0.04  # of the largest travel: after the turn the load passes from one branch of its loop to the other
)
_FEWEST_ON_BRANCHES = 40


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
    closing_N: float
    """Load left when the blank is back, above the load at the start, N (nan if it does not come back)."""
    closing_error_N: float
    """Standard error of it, N."""
    by_hand: bool = False
    """True for a short table by hand: `scatter` is then what its ruler and scale can do."""

    @property
    def both_ways(self) -> bool:
        """True if the run has enough of loading and of unloading to tell them apart."""
        fewest = min(int(np.sum(self.side > 0.0)), int(np.sum(self.side < 0.0)))
        if self.by_hand:
            return fewest >= 2
        return fewest >= max(4.0, 0.1 * self.side.size)


def scatter(values: Floats) -> float:
    """Standard deviation of the noise on a smooth series, from its third differences (robust).

    White noise of variance σ² has third differences of variance 20·σ².
    """
    if values.size < 8:
        return math.nan
    third = np.diff(values, 3)
    return float(1.4826 * np.median(np.abs(third - np.median(third))) / math.sqrt(20.0))


def screen(readings: FlexReadings) -> Sweep:
    """Look a run over.

    Raises
    ------
    ReadingsError
        Where the run cannot be used: what is wrong, what to do, and the reading's row.
    ValueError
        If the arrays do not fit together.
    """
    load, travel = np.asarray(readings.load_N, float), np.asarray(readings.travel_m, float)
    tip = np.full(load.shape, np.nan) if readings.tip is None else np.asarray(readings.tip, float)
    if load.ndim != 1 or travel.shape != load.shape or tip.shape != load.shape:
        raise ValueError("load, travel and tip slope have one value a reading")
    if not (math.isfinite(readings.free_length_m) and readings.free_length_m > 0.0):
        raise ValueError("the free length is a positive number")
    refuse_unbelievable(np.asarray(readings.time_s, float), "time", "s")
    refuse_unbelievable(load, "load", "N")
    refuse_unbelievable(travel, "travel", "m")
    refuse_unbelievable(tip, "tip slope", "rad")
    row = np.flatnonzero(np.isfinite(load) & np.isfinite(travel))
    if row.size < FEWEST:
        raise ReadingsError(
            f"only {row.size} readings have both a load and a travel",
            f"record at least {FEWEST}, better a few hundred, from no load to a quarter of the length",
            int(row[-1]) if row.size else None,
        )
    load, travel, tip = load[row], travel[row], tip[row]
    check_signs(load, travel, row)
    calm = median_filter(travel, size=5, mode="nearest")
    top = float(np.max(calm))
    arm = readings.station_m or readings.free_length_m
    least = 0.1 * 0.25 * arm
    where = "tip" if arm > AT_TIP * readings.free_length_m else "hook"
    if top < least:
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm at most, less than a tenth of the reference bend",
            f"load on until it has moved {1e3 * 10 * least:.0f} mm, a quarter of "
            + ("the free length" if where == "tip" else "its distance from the chuck"),
            int(row[int(np.argmax(calm))]),
        )
    if top > FURTHEST * arm:
        arm_words = "free length is" if where == "tip" else "hook's distance from the chuck is"
        raise ReadingsError(
            f"the {where} moved {1e3 * top:.0f} mm, and the {arm_words} {1e3 * arm:.0f} mm",
            f"check the unit of the travel and the {'free length' if where == 'tip' else 'station'}",
            int(row[int(np.argmax(calm))]),
        )
    if not float(np.quantile(load, 0.98)) > 0.0:
        raise ReadingsError(
            "the blank bends and no load is read", "check the load cell and its calibration", int(row[0])
        )
    check_tip(travel, tip, row)
    noise = (scatter(load), scatter(travel), scatter(tip[np.isfinite(tip)]))
    _check_slip(load, travel, calm, row, noise)
    side = _sides(travel, calm, row, noise[1])
    closing, error = _check_zero(load, travel, calm, side, row, noise)
    distinct = np.unique(np.round(calm / (0.02 * top))).size
    if distinct < 5:
        raise ReadingsError(
            f"the readings stand at only {distinct} different travels",
            "take at least five between no load and the largest",
            int(row[-1]),
        )
    branch = side != 0.0
    if np.sum(branch) < _FEWEST_ON_BRANCHES:
        branch[:] = True
    return Sweep(row[branch], load[branch], travel[branch], tip[branch], side[branch], noise, closing, error)


def check_signs(load: Floats, travel: Floats, row: NDArray[np.intp]) -> None:
    """Refuse load and travel of opposite signs, or both negative."""
    far = np.abs(travel) > 0.3 * np.quantile(np.abs(travel), 0.98)
    heavy = np.abs(load) > 0.2 * np.quantile(np.abs(load), 0.98)
    clear = np.flatnonzero(far & heavy)
    against = clear[load[clear] * travel[clear] < 0.0]
    if against.size > 0.5 * clear.size:
        raise ReadingsError(
            "load and travel have opposite signs",
            "turn the sign of the one that does not grow along the pull in the settings",
            int(row[against[0]]),
        )
    if clear.size and np.mean(travel[clear] < 0.0) > 0.5:
        raise ReadingsError(
            "load and travel are both negative",
            "both count along the pull: turn both signs in the settings",
            int(row[clear[0]]),
        )


def check_tip(travel: Floats, tip: Floats, row: NDArray[np.intp]) -> None:
    """Refuse a tip slope that counts away from the pull."""
    far = np.flatnonzero(np.isfinite(tip) & (travel > 0.5 * np.max(travel)))
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
    width = min(5, n // 4)
    if width < 2:
        return
    top, most = float(np.max(calm)), float(np.quantile(load, 0.98))
    views = np.lib.stride_tricks.sliding_window_view
    middle = np.median(views(travel, width), axis=1)
    middle_load = np.median(views(load, width), axis=1)
    jump, follows = middle[width:] - middle[:-width], middle_load[width:] - middle_load[:-width]
    at = np.arange(width, n - width + 1)  # the first reading after the jump
    single = travel[at] - travel[at - 1]
    usual = float(np.median(np.abs(np.diff(travel))))
    sure = 10.0 * max(noise[1], 0.0) if math.isfinite(noise[1]) else 0.0
    least = max(0.025 * top, sure, 8.0 * usual)
    local = top / most if most > 0.0 else 0.0  # travel per load, roughly
    slipped = (
        (np.abs(single) > least)
        & (np.abs(jump) > 0.7 * np.abs(single))
        & (np.sign(jump) == np.sign(single))
        & (np.abs(jump) - np.abs(follows) * local > 0.5 * np.abs(single))
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
    back = max(_TURN_BACK * top, 8.0 * noise if math.isfinite(noise) else 0.0)
    turns = _turns(calm, back)
    inner = turns[1:-1]
    for place, turn in enumerate(inner):
        crest = calm[turn] > calm[turns[place]]
        whole = calm[turn] > 0.7 * top if crest else calm[turn] < 0.3 * top
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
        if calm[turn] > 0.5 * top:
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
    side: Floats,
    row: NDArray[np.intp],
    noise: tuple[float, float, float],
) -> tuple[float, float]:
    """Load left at no travel: at the start it must be nothing, at the end nearly so."""
    most, top = float(np.quantile(load, 0.98)), float(np.max(calm))
    turn = int(np.argmax(calm))
    slack = top / most if most > 0.0 else math.inf
    sigma = noise[0] if math.isfinite(noise[0]) else 0.0
    sigma = math.hypot(sigma, noise[1] / slack if math.isfinite(noise[1]) else 0.0)
    ends: list[tuple[float, float]] = []
    for which, part in (("start", slice(0, turn)), ("end", slice(turn, None))):
        low = np.flatnonzero(np.abs(calm[part]) < 0.06 * top) + (part.start or 0)
        if low.size == 0:
            ends.append((math.nan, math.nan))
            continue
        # Near no travel the load is a straight line in it; a blank that stiffens does so later.
        level = float(np.median(load[low] - travel[low] / _early_slack(load, travel, top, slack)))
        error = 1.25 * sigma / math.sqrt(low.size)
        ends.append((level, error))
        limit = max(_ZERO_MOVED * most, 6.0 * error)
        if abs(level) > limit:
            raise ReadingsError(
                f"the zero moved: at no travel the load reads {level:.2f} N at the {which} of the run",
                "let the tip go free, set load and travel to zero, and record the run again",
                int(row[low[0]]),
            )
    (first, e1), (last, e2) = ends
    return last - first, math.hypot(e1, e2)


def _early_slack(load: Floats, travel: Floats, top: float, otherwise: float) -> float:
    """Travel per load at small travel, m/N, from the differences of the readings below a third of the way."""
    near = np.flatnonzero((travel > 0.0) & (travel < 0.35 * top))
    if near.size < 6:
        return otherwise
    slope = np.polyfit(travel[near], load[near], 1)[0]
    return 1.0 / float(slope) if slope > 0.0 else otherwise
