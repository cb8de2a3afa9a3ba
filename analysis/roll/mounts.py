"""Several mounts of one blank: what turns with the blank apart from what turns with the chuck.

The multi-step error separation of roundness metrology (Evans, Hocken & Estler 1996, Annals of the CIRP
45:617), here for the 1-per-turn and the 2-per-turn part of the load, as a mixed linear model. What mount j
showed, y_j = (k, f, d), is

    y_j = x + T(m_j)·c + k·E·u_j + g·δ_j + ε_j

x the blank's five numbers, c the chuck's four (`analysis.roll.chuck`), u_j the seating, N(0, s²) along each
axis, δ_j the index mark's error, N(0, ι²), g how the numbers move with it, ε_j the run's noise with the run's
own covariance. x and c are found by generalised least squares, s and ι by the restricted likelihood
(Patterson & Thompson 1971, Biometrika 58:545) from what the mounts leave over.
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
from analysis.roll.chuck import (
    COUNT,
    Chuck,
    Common,
    guessed,
    index_move,
    rotation,
    seating_part,
    seen_by,
    turned,
    whole,
)
from analysis.roll.fit import Measured, measure, told
from analysis.roll.more_snaps import ThirdWave
from analysis.roll.result import MarkRule, RollResult
from analysis.roll.scatter import Part, Scatter
from analysis.roll.tensor import SIZE, Matrix

_APART = math.radians(10.0)
"""Mounts nearer to each other than this, as a part of a turn sees them, count as the same."""
_DISAGREE = 0.01
"""Below this probability the mounts differ by more than noise, seating and index mark explain."""
_INDEX_DOF = 4.0
"""What is stated of the index mark counts as much as so many left-overs (ours): a straight, round blank says
almost nothing of it, and a bent one may say that the statement was wrong."""
_LENGTHS_ALIKE = 0.005
"""Free lengths of the mounts that differ by more than this part are of two set-ups."""
_FLAT = 1e30
"""Variance of nothing known."""


@dataclass(frozen=True, slots=True)
class Mounts:
    """The joint result of several mounts of one blank."""

    result: RollResult
    """The blank's, with what turns with the chuck taken off as far as the mounts can tell."""
    chuck: Chuck
    """The chuck's; what the mounts cannot tell of it is as it was known before, or guessed."""
    separated: tuple[bool, bool]
    """Whether the mounts tell blank and chuck apart in the 1-per-turn and in the 2-per-turn part."""
    left_over: tuple[int, int]
    """How many numbers the mounts leave over at 1-per-turn (seating is learnt from them) and 2-per-turn."""
    disagree: bool = False
    """True if stiffness or planes of the mounts differ by more than noise and index mark explain."""


def fit_mounts(
    runs: Sequence[RollReadings],
    *,
    mark_rule: MarkRule = "snap",
    initial_stiffness: Estimate | None = None,
    chuck: Chuck | None = None,
) -> Mounts:
    """Fit several mounts of one blank together.

    Parameters
    ----------
    runs : sequence of RollReadings
        Two or more, each with its `mount`.
    mark_rule, initial_stiffness
        As in `fit_roll`.
    chuck : Chuck or None
        What is known of the chuck. Measured: it counts beside the mounts. Guessed: its shares stand for what
        the mounts cannot tell. None: nothing is known, and what the mounts cannot tell is taken as nothing.

    Raises
    ------
    ReadingsError
        If a run says nothing (less than 120° rolled), with fewer than two runs, or where their free lengths
        differ.
    """
    if len(runs) < 2:
        raise ReadingsError(
            "a joint fit needs two mounts of the blank or more",
            "chuck it again, turned by a quarter of a turn",
        )
    found: list[Measured] = []
    for at, run in enumerate(runs):
        measured = measure(run)
        if not isinstance(measured, Measured):
            raise ReadingsError(
                f"only {measured.coverage * 360.0:.0f}° of the turn were rolled in one of the mounts",
                "roll a whole turn in each",
                run=at,
            )
        if abs(run.free_length_m / runs[0].free_length_m - 1.0) > _LENGTHS_ALIKE:
            raise ReadingsError(
                f"its free length is {run.free_length_m:g} m and that of the first mount"
                f" {runs[0].free_length_m:g} m",
                "chuck the blank at the same place each time",
                run=at,
            )
        found.append(measured)
    mounts = [run.mount for run in runs]
    separated = (spread_of(mounts, 1) > _APART, spread_of(mounts, 2) > 2.0 * _APART)
    solved = Solution.of(found, mounts, runs[0].free_length_m, separated, chuck)
    dof = min(measured.dof for measured in found) * len(found)
    joint = replace(
        found[0],
        third=_third(found, mounts),
        numbers=solved.values[:SIZE],
        spread=solved.noise[:SIZE, :SIZE],
        dof=dof,
        mount_parts=tuple(
            Part(part.spread[:SIZE, :SIZE], part.dof)
            for part in (solved.seating, solved.index)
            if part.spread.any()
        ),
        common=solved.common,
        left_out=tuple(
            replace(left, shifts=left.shifts / len(found)) for one in found for left in one.left_out
        ),
    )
    every = whole(joint.own, joint.common)
    joint = replace(joint, p_value=plane_p_value(joint.numbers[3:], every.block(slice(3, SIZE))))
    result = told(runs[0], joint, mark_rule, initial_stiffness, curve=False)
    warnings = [*_unseparated(separated), *result.warnings]
    if solved.disagree:
        warnings.append(
            "The mounts differ by more than noise, seating and index mark explain: look at the index mark's"
            " place in the chuck, the load's zero, and whether the chuck was taken apart. The half-widths are"
            " wider for it."
        )
    result = replace(
        result,
        warnings=tuple(dict.fromkeys(warnings)),
        turns=sum(measured.sifted.turns for measured in found),
    )
    return Mounts(
        result, solved.chuck(runs[0].free_length_m, dof), separated, solved.left_over, solved.disagree
    )


def spread_of(mounts: Sequence[float], waves: int) -> float:
    """Largest angle between two mounts as a part with so many waves per turn sees it, rad, 0 to π."""
    apart = [abs(math.remainder(waves * (a - b), 2.0 * math.pi)) for a in mounts for b in mounts]
    return max(apart)


@dataclass(frozen=True, slots=True)
class Solution:
    """Blank and chuck from all mounts, and where the covariance comes from."""

    values: Floats
    """Five numbers of the blank and four of the chuck, shape (9,)."""
    noise: Matrix
    """Their covariance from the runs' noise, shape (9, 9)."""
    seating: Part
    """From the seating."""
    index: Part
    """From the index mark."""
    prior: Part
    """From what was known of the chuck before (all its errors)."""
    common: Common | None
    """The same as errors of that chuck in the blank's numbers."""
    seating_m: float
    """Seating, standard deviation along one axis, m."""
    seating_dof: float
    """Degrees of freedom behind it."""
    index_sd: float
    """Index mark, standard deviation, rad."""
    left_over: tuple[int, int]
    """See `Mounts.left_over`."""
    disagree: bool
    """See `Mounts.disagree`."""

    @classmethod
    def of(
        cls,
        found: Sequence[Measured],
        mounts: Sequence[float],
        free_length_m: float,
        separated: tuple[bool, bool],
        chuck: Chuck | None,
    ) -> Solution:
        """Solve the mixed model."""
        numbers = np.array([measured.numbers for measured in found])
        spreads = np.array([measured.spread for measured in found])
        stiffness = float(np.average(numbers[:, 0], weights=1.0 / spreads[:, 0, 0]))
        design = np.zeros((len(found), SIZE, SIZE + COUNT))
        design[:, :, :SIZE] = np.eye(SIZE)
        for at, mount in enumerate(mounts):
            design[at, :, SIZE:] = turned(mount, stiffness)
        known = Known.of(chuck, stiffness, free_length_m, separated)
        left_over = (2 * len(found) - 2 - 2 * separated[0], 2 * len(found) - 2 - 2 * separated[1])
        model = MixedModel(numbers, spreads, design, known, stiffness)
        seating, dof, index = model.scatter(left_over[0], chuck)
        values, gains, prior_gain = model.solve(seating, index)
        widen = np.ones(SIZE)
        for which, freedom in ((slice(0, 1), len(found) - 1), (slice(3, 5), left_over[1])):
            misfit = model.misfit(which, values, index)
            if freedom > 0 and float(chdtrc(freedom, misfit)) < _DISAGREE:
                widen[which] = math.sqrt(misfit / freedom)
        disagree = bool((widen > 1.0).any())
        spreads = spreads * np.outer(widen, widen)
        off = index_move(values[:SIZE])
        through = gains @ off
        offset = seating_part(stiffness, seating)
        return cls(
            values=values,
            noise=np.asarray(np.einsum("jab,jbc,jdc->ad", gains, spreads, gains)),
            seating=Part(np.einsum("jab,bc,jdc->ad", gains, offset, gains), dof),
            index=Part(index**2 * np.einsum("ja,jb->ab", through, through), math.inf),
            prior=Part(
                prior_gain @ known.covariance @ prior_gain.T, known.dofs[2] if known.dofs else math.inf
            ),
            common=known.common(prior_gain[:SIZE]),
            seating_m=seating,
            seating_dof=dof,
            index_sd=index,
            left_over=left_over,
            disagree=disagree,
        )

    def chuck(self, free_length_m: float, dof: float) -> Chuck:
        """Give what all that is known now says of the chuck."""
        at = slice(SIZE, SIZE + COUNT)
        every = Scatter.of(self.noise, dof).joined(self.seating, self.index, self.prior)
        block = every.block(at)
        return Chuck(
            values=self.values[at],
            covariance=block.total,
            dof=Scatter(tuple(Part(part.spread[:2, :2], part.dof) for part in block.parts)).dof(),
            seating_m=self.seating_m,
            seating_dof=self.seating_dof,
            index=self.index_sd,
            free_length_m=free_length_m,
            stiffness_N_per_m=float(self.values[0]),
        )


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the chuck before the mounts, as the blank sees it."""

    values: Floats
    """Shape (4,)."""
    covariance: Matrix
    """Shape (4, 4); huge where nothing is known."""
    errors: Matrix
    """Columns of independent errors, shape (4, q)."""
    dofs: tuple[float, ...]
    """Degrees of freedom behind each."""
    name: str
    """Which chuck."""
    measured: bool = True
    """See `Chuck.measured`."""

    @classmethod
    def of(
        cls, chuck: Chuck | None, stiffness: float, free_length_m: float, separated: tuple[bool, bool]
    ) -> Known:
        """Carry what is known to this blank.

        A guess says nothing where the mounts tell; where nothing is known and the mounts cannot tell, the
        chuck's part is taken as nothing.
        """
        told = np.repeat(np.array(separated), 2)
        if chuck is None:
            return cls(np.zeros(COUNT), np.diag(np.where(told, _FLAT, 0.0)), np.zeros((COUNT, 0)), (), "")
        seen = seen_by(chuck, stiffness, free_length_m)
        errors = seen.errors
        if not chuck.measured:
            errors = np.where(told[:, np.newaxis], 0.0, errors)
        covariance = errors @ errors.T
        if not chuck.measured:
            covariance = covariance + np.diag(np.where(told, _FLAT, 0.0))
        return cls(seen.values, covariance, errors, seen.dofs, chuck.name, chuck.measured)

    @property
    def precision(self) -> Matrix:
        """Inverse covariance, shape (4, 4); what is exactly known is held almost so."""
        size = np.maximum(np.diag(self.covariance), 1e-24)
        scale = np.sqrt(size)
        scaled = self.covariance / np.outer(scale, scale)
        scaled[np.diag_indices(COUNT)] = 1.0
        return np.asarray(np.linalg.inv(scaled) / np.outer(scale, scale))

    def common(self, gain: Matrix) -> Common | None:
        """As errors in the blank's numbers."""
        moves = gain @ self.errors
        return Common(moves, self.dofs, self.name, self.measured) if moves.any() else None


@dataclass(frozen=True, slots=True)
class MixedModel:
    """The mixed model's arrays; m mounts."""

    numbers: Matrix
    """Shape (m, 5)."""
    spreads: Matrix
    """Shape (m, 5, 5)."""
    design: Matrix
    """Shape (m, 5, 9)."""
    known: Known
    """Of the chuck."""
    stiffness: float
    """Mean over the mounts, N/m."""

    def scatter(self, left_over: int, chuck: Chuck | None) -> tuple[float, float, float]:
        """Find seating (m), its degrees of freedom and the index mark's standard deviation (rad).

        The restricted likelihood is searched on a grid, with what was known of either beside it as so many
        left-overs of the size that was stated (an inverse-χ² prior).
        """
        stated = chuck.index if chuck is not None else 0.0
        before = chuck if chuck is not None and chuck.measured else None
        index_grid = stated * np.geomspace(0.25, 4.0, 17) if stated > 0.0 else np.zeros(1)
        usual = guessed().seating_m
        seat_grid = np.concatenate([[0.0], usual * np.geomspace(0.004, 40.0, 81)])
        if left_over <= 0:
            seat_grid = np.array([chuck.seating_m if chuck is not None else 0.0])
        else:
            if before is not None and before.seating_m > 0.0:
                seat_grid = seat_grid[1:]
            seat_grid = self._refined(seat_grid, index_grid, stated, before)
        seating, index = self._best(seat_grid, index_grid, stated, before)
        if left_over <= 0:
            return seating, math.inf if chuck is None else chuck.seating_dof, index
        noise = float(np.mean(self.spreads[:, 1, 1] + self.spreads[:, 2, 2])) / (2.0 * self.stiffness**2)
        pooled = left_over + (before.seating_dof if before is not None else 0.0)
        # var(ŝ²) = 2·(s² + n)²/ν: the left-overs hold the noise n too.
        share = seating**2 / max(seating**2 + noise, 1e-300)
        return seating, pooled * share**2 if seating > 0.0 else pooled, index

    def _refined(self, seats: Floats, indices: Floats, stated: float, before: Chuck | None) -> Floats:
        """Make the grid fine about its best seating."""
        best, _ = self._best(seats, indices, stated, before)
        at = int(np.argmin(np.abs(seats - best)))
        low, high = seats[max(at - 1, 0)], seats[min(at + 1, seats.size - 1)]
        return np.linspace(low, high, 61)

    def _best(
        self, seats: Floats, indices: Floats, stated: float, before: Chuck | None
    ) -> tuple[float, float]:
        """Seating and index mark of the greatest restricted likelihood on a grid."""
        best = (-math.inf, 0.0, 0.0)
        rough, _, _ = self.solve(float(seats[-1]), 0.0)
        for index in indices:
            likelihood = self._likelihood(seats, float(index), index_move(rough[:SIZE]))
            if index > 0.0:
                likelihood = likelihood - _INDEX_DOF * (math.log(index) + 0.5 * (stated / index) ** 2)
            if before is not None and before.seating_m > 0.0 and math.isfinite(before.seating_dof):
                likelihood = likelihood - before.seating_dof * (
                    np.log(seats) + 0.5 * (before.seating_m / seats) ** 2
                )
            at = int(np.argmax(likelihood))
            if likelihood[at] > best[0]:
                best = (float(likelihood[at]), float(seats[at]), float(index))
        return best[1], best[2]

    def _likelihood(self, seats: Floats, index: float, move: Floats) -> Floats:
        """Restricted log-likelihood for each seating, shape (g,)."""
        offset = seating_part(self.stiffness, 1.0)
        every = self.spreads + index**2 * np.outer(move, move)
        every = every[np.newaxis] + (seats**2)[:, np.newaxis, np.newaxis, np.newaxis] * offset
        inverse = np.linalg.inv(every)  # (g, m, 5, 5)
        normal = np.einsum("mab,gmac,mcd->gbd", self.design, inverse, self.design)
        right = np.einsum("mab,gmac,mc->gb", self.design, inverse, self.numbers)
        normal[:, SIZE:, SIZE:] += self.known.precision
        right[:, SIZE:] += self.known.precision @ self.known.values
        values = np.linalg.solve(normal, right[..., np.newaxis])[..., 0]
        left = self.numbers - np.einsum("mab,gb->gma", self.design, values)
        fit = np.einsum("gma,gmab,gmb->g", left, inverse, left)
        away = values[:, SIZE:] - self.known.values
        fit = fit + np.einsum("ga,ab,gb->g", away, self.known.precision, away)
        sizes = np.linalg.slogdet(every)[1].sum(axis=1) + np.linalg.slogdet(normal)[1]
        return np.asarray(-0.5 * (sizes + fit))

    def solve(self, seating: float, index: float) -> tuple[Floats, Matrix, Matrix]:
        """Generalised least squares.

        Returns
        -------
        values : ndarray, shape (9,)
        gains : ndarray, shape (m, 9, 5)
            How the values follow what each mount showed.
        prior_gain : ndarray, shape (9, 4)
            How they follow what was known of the chuck.
        """
        move = index_move(self.numbers.mean(axis=0))
        every = self.spreads + seating_part(self.stiffness, seating) + index**2 * np.outer(move, move)
        inverse = np.linalg.inv(every)
        weighted = np.einsum("mab,mac->mbc", self.design, inverse)  # (m, 9, 5)
        normal = np.einsum("mab,mbc->ac", weighted, self.design)
        precision = self.known.precision
        normal[SIZE:, SIZE:] += precision
        scale = 1.0 / np.sqrt(np.diag(normal))
        cov = np.linalg.inv(normal * np.outer(scale, scale)) * np.outer(scale, scale)
        gains = cov @ weighted
        prior_gain = cov[:, SIZE:] @ precision
        values = np.einsum("mab,mb->a", gains, self.numbers) + prior_gain @ self.known.values
        return np.asarray(values), np.asarray(gains), np.asarray(prior_gain)

    def misfit(self, which: slice, values: Floats, index: float) -> float:
        """Squared left-overs of some of the numbers in units of noise and index mark."""
        left = (self.numbers - self.design @ values)[:, which]
        move = index_move(values[:SIZE])
        every = (self.spreads + index**2 * np.outer(move, move))[:, which, which]
        return float(np.einsum("ma,mab,mb->", left, np.linalg.inv(every), left))


def _third(found: Sequence[Measured], mounts: Sequence[float]) -> ThirdWave:
    """Three waves a turn of the blank (cause "section"), or of the chuck where those are the larger ("rig").

    t_j = w + R(3·m_j)·c by least squares, as for the other waves. What the single runs know of a hand that
    does not repeat stays so; mounts that three waves see alike (a third of a turn apart) separate nothing.
    """
    waves = [measured.third for measured in found]
    loudest = max(waves, key=lambda wave: float(np.hypot(*wave.pair)))
    present = [wave for wave in waves if wave.present]
    if not present or any(wave.cause == "hand" for wave in present) or spread_of(mounts, 3) < 3.0 * _APART:
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


__all__ = ["Mounts", "fit_mounts", "spread_of"]
