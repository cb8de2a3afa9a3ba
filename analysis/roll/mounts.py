"""Several mounts of one blank: what turns with the blank apart from what turns with the chuck.

The multi-step error separation of roundness metrology (Evans, Hocken & Estler 1996, Annals of the CIRP
45:617), here for the 1-per-turn and the 2-per-turn part of the load. With θ the blank angle that faces the
pull and θ = chuck angle + m, m the mount, what turns with the chuck appears in the blank's frame turned by m
and by 2m:

    f_j = f + R(m_j)·g,        d_j = d + R(2·m_j)·h,

f and d the blank's bow force and stiffness planes, g and h the chuck's run-out and support stiffness, R a
rotation in the plane of the two coefficients. All mounts together are one linear least-squares problem with
the covariances of the single fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from analysis.errors import ReadingsError
from analysis.estimate import Estimate
from analysis.readings import Floats, RollReadings
from analysis.roll.answers import plane_p_value
from analysis.roll.fit import Measured, measure, told
from analysis.roll.more_snaps import ThirdWave
from analysis.roll.result import MarkRule, RollResult
from analysis.roll.signature import UNKNOWN, Signature, rotation
from analysis.roll.tensor import SIZE, Matrix

_APART = math.radians(10.0)
"""Mounts nearer to each other than this, as a part of a turn sees them, count as the same."""
_DISAGREE = 0.01
"""Below this probability the mounts differ by more than their noise."""


@dataclass(frozen=True, slots=True)
class Mounts:
    """The joint result of several mounts of one blank."""

    result: RollResult
    """The blank's, with what turns with the chuck taken off as far as the mounts can tell."""
    signature: Signature
    """The chuck's."""
    separated: tuple[bool, bool]
    """Whether the mounts tell blank and chuck apart in the 1-per-turn and in the 2-per-turn part."""


def fit_mounts(
    runs: Sequence[RollReadings],
    *,
    mark_rule: MarkRule = "snap",
    initial_stiffness: Estimate | None = None,
) -> Mounts:
    """Fit several mounts of one blank together.

    Parameters
    ----------
    runs : sequence of RollReadings
        Two or more, each with its `mount`.
    mark_rule, initial_stiffness
        As in `fit_roll`.

    Raises
    ------
    ReadingsError
        If a run says nothing (less than 120° rolled), or with fewer than two runs.
    """
    if len(runs) < 2:
        raise ReadingsError(
            "a joint fit needs two mounts of the blank or more",
            "chuck it again, turned by a quarter of a turn",
        )
    found: list[Measured] = []
    for run in runs:
        measured = measure(run)
        if not isinstance(measured, Measured):
            raise ReadingsError(
                f"only {measured.coverage * 360.0:.0f}° of the turn were rolled in one of the mounts",
                "roll a whole turn in each",
            )
        found.append(measured)
    mounts = [run.mount for run in runs]
    separated = (_spread_of(mounts, 1) > _APART, _spread_of(mounts, 2) > 2.0 * _APART)
    values, covariance, p_disagree = _solve(found, mounts, separated)
    dof = min(measured.dof for measured in found) * len(found)
    spread = covariance[:SIZE, :SIZE]
    joint = replace(
        found[0],
        third=_third(found, mounts),
        numbers=values[:SIZE],
        spread=spread,
        dof=dof,
        p_value=plane_p_value(values[3:SIZE], spread[3:, 3:], dof),
        left_out=tuple(
            replace(left, shifts=left.shifts / len(found)) for one in found for left in one.left_out
        ),
    )
    result = told(runs[0], joint, mark_rule, initial_stiffness, curve=False)
    warnings = [*_unseparated(separated), *result.warnings]
    if p_disagree < _DISAGREE:
        warnings.append(
            "The mounts differ by more than their noise: look at the index mark's place in the chuck. "
            "The half-widths are wider for it."
        )
    signature = Signature(values[SIZE:], covariance[SIZE:, SIZE:], result.travel_m, float(values[0]))
    result = replace(
        result,
        warnings=tuple(dict.fromkeys(warnings)),
        turns=sum(measured.sifted.turns for measured in found),
    )
    return Mounts(result, signature, separated)


def _spread_of(mounts: Sequence[float], waves: int) -> float:
    """Largest angle between two mounts as a part with so many waves per turn sees it, rad, 0 to π."""
    apart = [abs(math.remainder(waves * (a - b), 2.0 * math.pi)) for a in mounts for b in mounts]
    return max(apart)


def _solve(
    found: Sequence[Measured], mounts: Sequence[float], separated: tuple[bool, bool]
) -> tuple[Floats, Matrix, float]:
    """Blank (5) and chuck (4) by least squares, their covariance, and how probable the misfit is."""
    size = SIZE + 4
    normal, slope = np.zeros((size, size)), np.zeros(size)
    designs = []
    for measured, mount in zip(found, mounts, strict=True):
        design = np.zeros((SIZE, size))
        design[:, :SIZE] = np.eye(SIZE)
        if separated[0]:
            design[1:3, SIZE : SIZE + 2] = rotation(mount)
        if separated[1]:
            design[3:5, SIZE + 2 :] = rotation(2.0 * mount)
        weight = np.linalg.inv(measured.spread)
        normal += design.T @ weight @ design
        slope += design.T @ weight @ measured.numbers
        designs.append((design, weight))
    told_apart = np.array([True] * SIZE + [separated[0]] * 2 + [separated[1]] * 2)
    covariance = np.full((size, size), 0.0)
    covariance[np.ix_(told_apart, told_apart)] = np.linalg.inv(normal[np.ix_(told_apart, told_apart)])
    values = covariance @ slope
    misfit = sum(
        float((m.numbers - d @ values) @ w @ (m.numbers - d @ values))
        for m, (d, w) in zip(found, designs, strict=True)
    )
    freedom = SIZE * len(found) - int(told_apart.sum())
    probability = float(chdtrc(freedom, misfit)) if freedom > 0 else 1.0
    if probability < _DISAGREE:
        covariance = covariance * (misfit / freedom)
    covariance[np.diag_indices(size)] += np.where(told_apart, 0.0, UNKNOWN)
    return values, covariance, probability


def _third(found: Sequence[Measured], mounts: Sequence[float]) -> ThirdWave:
    """Three waves a turn of the blank (cause "section"), or of the chuck where those are the larger ("rig").

    t_j = w + R(3·m_j)·c by least squares, as for the other waves. What the single runs know of a hand that
    does not repeat stays so; mounts that three waves see alike (a third of a turn apart) separate nothing.
    """
    waves = [measured.third for measured in found]
    loudest = max(waves, key=lambda wave: float(np.hypot(*wave.pair)))
    present = [wave for wave in waves if wave.present]
    if not present or any(wave.cause == "hand" for wave in present) or _spread_of(mounts, 3) < 3.0 * _APART:
        return loudest
    normal, slope = np.zeros((4, 4)), np.zeros(4)
    typical = np.mean([wave.spread for wave in present], axis=0)
    for wave, mount in zip(waves, mounts, strict=True):
        design = np.hstack([np.eye(2), rotation(3.0 * mount)])
        weight = np.linalg.inv(wave.spread if wave.pair.any() else typical)
        normal += design.T @ weight @ design
        slope += design.T @ weight @ wave.pair
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    values: Floats = covariance @ slope
    dof = min(wave.dof for wave in waves) * len(waves)
    blank = ThirdWave(values[:2], covariance[:2, :2], dof, "section")
    turn = rotation(3.0 * mounts[0])  # the chuck's, as the first mount's blank sees it
    turned = np.asarray(turn @ covariance[2:, 2:] @ turn.T, dtype=np.float64)
    chuck = ThirdWave(np.asarray(turn @ values[2:], dtype=np.float64), turned, dof, "rig")
    return max(blank, chuck, key=lambda wave: float(np.hypot(*wave.pair)))


def _unseparated(separated: tuple[bool, bool]) -> list[str]:
    """Say what these mounts cannot separate."""
    if not separated[0]:
        return [
            "These mounts are all alike: what turns with the blank and with the chuck cannot be told "
            "apart. Chuck the blank again, turned by a quarter of a turn."
        ]
    if not separated[1]:
        return [
            "Mounts half a turn apart cannot tell the stiff plane of the blank from that of the chuck (the "
            "2-per-turn part). Add a mount turned by a quarter of a turn."
        ]
    return []


__all__ = ["Mounts", "fit_mounts"]
