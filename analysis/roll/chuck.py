"""The chuck's part of a roll: what turns with the chuck and not with the blank, and what each mount adds.

In the chuck's frame ψ = θ − mount, with the tip held, the load holds

    + d·k·(σ/200)·cos 2(ψ − γ₂) − k·e·cos(ψ − γ₁)

beside the blank's own part: run-out e at γ₁ (an axis that is off, so it grows with the free length) and
uneven support σ at γ₂. In the blank's frame both are turned by the mount m,

    f_seen = f + k·R(m)·c₁,    c₁ = e·(cos γ₁, sin γ₁),
    d_seen = d + k·R(2m)·c₂,   c₂ = (σ/200)·(cos 2γ₂, sin 2γ₂)

with f, d the blank's bow force and stiffness planes; to first order a hanging weight sees the same. Beside it
every mount has its own *seating*, an isotropic sideways offset of the tip, and its own *index error*, which
turns everything that is the blank's alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc

from analysis.estimate import GUESSED, coverage_factor
from analysis.readings import Floats
from analysis.roll.scatter import Part, Scatter
from analysis.roll.tensor import SIZE, Blank, Matrix

COUNT = 4
"""Numbers of a chuck: run-out along its angles 0 and 90°, and the two of its uneven support."""
NORMAL = coverage_factor(math.inf)
"""Half-widths over standard errors where the size of an error is known."""
GUESS_LENGTH_M = 1.8
"""Free length at which the shipped run-out and seating hold."""
GUESS_RUNOUT_M = 0.002
"""Shipped share of the run-out, 95 % along one axis (ours): drill chucks of 0.05 to 0.15 mm full indicator
(their class from memory), built up over 60 mm of grip, make 0.8 to 2.3 mm at a tip 1.8 m away."""
GUESS_SUPPORT = 0.005
"""The same of the uneven support, as anisotropy (ours): one jaw of three that is 30 % softer makes 0.22 of
the chuck's compliance uneven; chucks of homemade rigs showed 0.1 to 0.7 % in the model."""
GUESS_SEATING_M = 0.001
"""The same of the seating (ours)."""
GUESS_INDEX = math.radians(2.0)
"""The same of the index mark (ours): a pencil line on a butt of 12 mm is set to 0.2 mm."""

_ENDS = 1.4
"""The support's law lies anywhere between two ends, and most chucks near one of them: half of the difference
times this is taken as 95 % half-width, so that an end is held with noise beside it (ours, chosen on
`benchmarks/chuck_coverage.py`: at 1.0 chucks of either end are held 79 times in 100)."""


@dataclass(frozen=True, slots=True)
class Chuck:
    """What is known of a chuck."""

    values: Floats
    """e·cos γ₁, e·sin γ₁ (m at the tip), (σ/200)·cos 2γ₂, (σ/200)·sin 2γ₂, shape (4,)."""
    covariance: Matrix
    """Theirs, shape (4, 4)."""
    dof: float
    """Degrees of freedom behind the run-out's: few where a few mounts' seating made it."""
    seating_m: float
    """Seating, standard deviation along one axis, m at the tip."""
    seating_dof: float
    """Degrees of freedom behind it."""
    index: float
    """Index mark's error in one mount, standard deviation, rad."""
    free_length_m: float
    """Free length at which run-out and seating hold, m."""
    stiffness_N_per_m: float
    """Stiffness of the blank with which the support was found, N/m; 0: it holds for any."""
    measured: bool = True
    """False for shipped or stated shares of a chuck that was never measured."""
    name: str = ""
    """Which chuck this is: blanks that name the same one share its error."""

    @property
    def runout_m(self) -> float:
        """How far the chuck's axis is off at the tip, m."""
        return math.hypot(*self.values[:2])

    @property
    def runout_direction(self) -> float:
        """Angle of the chuck that faces the pull where the axis is off toward it, rad, [0, 2π)."""
        return math.atan2(self.values[1], self.values[0]) % (2.0 * math.pi)

    @property
    def support(self) -> float:
        """Anisotropy that the chuck alone would show, as a fraction."""
        return 2.0 * math.hypot(*self.values[2:])

    @property
    def support_plane(self) -> float:
        """Angle of the chuck whose side is held stiffest, rad, [0, π)."""
        return 0.5 * math.atan2(self.values[3], self.values[2]) % math.pi

    def runout_ci95_m(self) -> float:
        """95 % half-width of `runout_m`."""
        return self._length_ci95(slice(0, 2), self.dof)

    def support_ci95(self) -> float:
        """95 % half-width of `support`."""
        return 2.0 * self._length_ci95(slice(2, 4), math.inf)

    def _length_ci95(self, at: slice, dof: float) -> float:
        """Half-width of a vector's length: along it, or of the larger axis where the vector is not clear."""
        block, vector = self.covariance[at, at], self.values[at]
        size = float(np.hypot(*vector))
        widest = float(np.linalg.eigvalsh(block)[-1])
        along = float(vector @ block @ vector) / size**2 if size > 0.0 else widest
        clear = size**2 > 4.0 * widest
        return coverage_factor(dof) * math.sqrt(max(along if clear else widest, 0.0))


def guessed(
    runout_m: float = GUESS_RUNOUT_M,
    support: float = GUESS_SUPPORT,
    seating_m: float = GUESS_SEATING_M,
    index: float = GUESS_INDEX,
    *,
    free_length_m: float = GUESS_LENGTH_M,
) -> Chuck:
    """Give the shares of a chuck that was never measured, from 95 % half-widths along one axis.

    Parameters
    ----------
    runout_m, seating_m : float
        m at the tip, at `free_length_m`.
    support : float
        As anisotropy, a fraction.
    index : float
        rad.
    """
    sizes = np.array([runout_m, runout_m, 0.5 * support, 0.5 * support]) / NORMAL
    return Chuck(
        values=np.zeros(COUNT),
        covariance=np.diag(sizes**2),
        dof=math.inf,
        seating_m=seating_m / NORMAL,
        seating_dof=math.inf,
        index=index / NORMAL,
        free_length_m=free_length_m,
        stiffness_N_per_m=0.0,
        measured=False,
        name=GUESSED,
    )


@dataclass(frozen=True, slots=True)
class Common:
    """Errors of one chuck in the five numbers of a blank: common to all blanks, each with its own pattern."""

    moves: Matrix
    """What each independent error of size one (a standard error) does to the numbers, shape (5, q)."""
    dofs: tuple[float, ...]
    """Degrees of freedom behind the size of each, q of them."""
    name: str = ""
    """Which chuck."""
    measured: bool = True
    """See `Chuck.measured`."""

    @property
    def parts(self) -> tuple[Part, ...]:
        """As parts of the numbers' covariance, one for each number of degrees of freedom."""
        out = []
        for dof in dict.fromkeys(self.dofs):
            columns = self.moves[:, [at for at, own in enumerate(self.dofs) if own == dof]]
            out.append(Part(columns @ columns.T, dof))
        return tuple(out)


@dataclass(frozen=True, slots=True)
class Seen:
    """A chuck as one blank of one stiffness and length sees it."""

    values: Floats
    """As `Chuck.values`, shape (4,)."""
    errors: Matrix
    """Columns of independent errors of size one, shape (4, q)."""
    dofs: tuple[float, ...]
    """Degrees of freedom behind each column."""
    seating_m: float
    """Standard deviation of the seating along one axis, m."""


def seen_by(chuck: Chuck, stiffness: float, free_length_m: float) -> Seen:
    """Carry a chuck to another stiffness and free length.

    Run-out and seating go with the length (a tilted axis). The support lies between constant (an uneven
    clamping edge) and ∝ k·L² (a soft chuck); the middle is taken, and half of the difference goes into the
    half-width.
    """
    longer = free_length_m / chuck.free_length_m
    softer = 1.0
    if chuck.stiffness_N_per_m > 0.0:
        softer = stiffness / chuck.stiffness_N_per_m * longer**2
    scale = np.array([longer, longer, 0.5 * (1.0 + softer), 0.5 * (1.0 + softer)])
    # Triangular root with the support first: its columns are known well, the run-out's carry the seating.
    order = [2, 3, 0, 1]
    root = np.zeros((COUNT, COUNT))
    root[order] = _root(chuck.covariance[np.ix_(order, order)])
    law = np.zeros((COUNT, 1))
    law[2:, 0] = 0.5 * (1.0 - softer) * _ENDS / NORMAL * chuck.values[2:]
    errors = np.hstack([scale[:, np.newaxis] * root, law])
    dofs = (math.inf, math.inf, chuck.dof, chuck.dof, math.inf)
    return Seen(scale * chuck.values, errors, dofs, longer * chuck.seating_m)


def _root(covariance: Matrix) -> Matrix:
    """Lower triangle T with T·Tᵀ = covariance, also where that is only half definite."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    scaled = covariance / np.outer(size, size)
    scaled[np.diag_indices_from(scaled)] = 1.0 + 1e-12
    return np.asarray(size[:, np.newaxis] * np.linalg.cholesky(scaled))


def rotation(angle: float) -> Matrix:
    """Rotation of a pair of coefficients, shape (2, 2)."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def turned(mount: float, stiffness: float) -> Matrix:
    """What the chuck's four numbers add to the blank's five in a mount (rad), shape (5, 4)."""
    out = np.zeros((SIZE, COUNT))
    out[1:3, :2] = stiffness * rotation(mount)
    out[3:5, 2:] = stiffness * rotation(2.0 * mount)
    return out


def seating_part(stiffness: float, seating_m: float) -> Matrix:
    """Covariance of the five numbers from an isotropic offset of the tip, shape (5, 5)."""
    return np.diag([0.0, 1.0, 1.0, 0.0, 0.0]) * (stiffness * seating_m) ** 2


def index_move(numbers: Floats) -> Floats:
    """How the blank's five numbers move with the index mark, per rad, shape (5,)."""
    _, fx, fy, dx, dy = numbers
    return np.array([0.0, -fy, fx, -2.0 * dy, 2.0 * dx])


@dataclass(frozen=True, slots=True)
class WithoutChuck:
    """A blank's five numbers with the chuck's part taken off."""

    numbers: Floats
    """Shape (5,)."""
    mount_parts: tuple[Part, ...]
    """What each mount adds anew: seating and index, as parts of the covariance."""
    common: Common
    """What the chuck leaves unknown."""


def taken_off(numbers: Floats, mount: float, free_length_m: float, chuck: Chuck) -> WithoutChuck:
    """Take the chuck's part off what one mount (rad) showed.

    Parameters
    ----------
    numbers : ndarray, shape (5,)
        k, f·cos β, f·sin β, Δ·cos 2φ, Δ·sin 2φ as read.
    """
    stiffness = float(numbers[0])
    seen = seen_by(chuck, stiffness, free_length_m)
    turn = turned(mount, stiffness)
    own = numbers - turn @ seen.values
    off = index_move(own) * chuck.index
    return WithoutChuck(
        numbers=own,
        mount_parts=(
            Part(seating_part(stiffness, seen.seating_m), chuck.seating_dof),
            Part(np.outer(off, off), math.inf),
        ),
        common=Common(-turn @ seen.errors, seen.dofs, chuck.name, chuck.measured),
    )


def whole(noise: Scatter, common: Common | None) -> Scatter:
    """Join a blank's own scatter and the chuck's."""
    return noise if common is None else noise.joined(*common.parts)


def bow_slopes(blank: Blank) -> Matrix:
    """∂(bow along 0 and 90°)/∂(five numbers), m per unit, shape (2, 5).

    With K·u = f: ∂u/∂f = K⁻¹, and for each number p of the tensor ∂u/∂p = −K⁻¹·(∂K/∂p)·u.
    """
    x, y = blank.bow
    stiffness = np.array([[blank.k + blank.d_cos, blank.d_sin], [blank.d_sin, blank.k - blank.d_cos]])
    by_tensor = np.array([[-x, 1.0, 0.0, -x, -y], [-y, 0.0, 1.0, y, -x]])
    return np.asarray(np.linalg.solve(stiffness, by_tensor))


_CHANGED = 0.01
"""Two calibrations of one chuck that differ by more than chance does this often are of a changed chuck."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """What several calibrations of one chuck say together."""

    chuck: Chuck
    """The chuck as it is now."""
    count: int
    """How many calibrations stand behind it, the newest ones."""
    changed: bool
    """True if the newest one contradicts those before it: the chuck has changed, and it stands alone."""


def pooled(chucks: Sequence[Chuck]) -> Pooled:
    """Pool calibrations of one chuck, the oldest first, as far back as they agree with the newest.

    Weighted by their inverse covariances at the newest one's length and stiffness; seating as the mean square
    over the degrees of freedom. Two disagree where Hotelling's T² of their difference, with Welch's degrees
    of freedom, is beyond chance one time in a hundred.

    Raises
    ------
    ValueError
        If there is none.
    """
    if not chucks:
        raise ValueError("there is no calibration to pool")
    now = chucks[-1]
    count, changed = 1, False
    for other in reversed(chucks[:-1]):
        before = _moved(other, now)
        if _apart(before, now) < _CHANGED:
            changed = count == 1
            break
        now = _two(before, now)
        count += 1
    return Pooled(now, count, changed)


def _moved(chuck: Chuck, like: Chuck) -> Chuck:
    """Carry a calibration to the length and stiffness of another."""
    seen = seen_by(chuck, like.stiffness_N_per_m, like.free_length_m)
    return replace(
        chuck,
        values=seen.values,
        covariance=seen.errors @ seen.errors.T,
        seating_m=seen.seating_m,
        free_length_m=like.free_length_m,
        stiffness_N_per_m=like.stiffness_N_per_m,
    )


def _apart(a: Chuck, b: Chuck) -> float:
    """Probability that two calibrations of one chuck differ by as much."""
    difference = a.values - b.values
    together = a.covariance + b.covariance
    statistic = float(difference @ np.linalg.solve(together, difference)) / COUNT
    scatter = Scatter((Part(a.covariance[:2, :2], a.dof), Part(b.covariance[:2, :2], b.dof)))
    return float(fdtrc(COUNT, min(scatter.dof(), 1e9), statistic))


def _two(a: Chuck, b: Chuck) -> Chuck:
    """Pool two calibrations that agree."""
    first, second = np.linalg.inv(a.covariance), np.linalg.inv(b.covariance)
    covariance = np.linalg.inv(first + second)
    parts = (
        Part((covariance @ first @ covariance)[:2, :2], a.dof),
        Part((covariance @ second @ covariance)[:2, :2], b.dof),
    )
    freedom = a.seating_dof + b.seating_dof
    seating = b.seating_m
    if math.isfinite(freedom) and freedom > 0.0:
        seating = math.sqrt((a.seating_dof * a.seating_m**2 + b.seating_dof * b.seating_m**2) / freedom)
    return replace(
        b,
        values=covariance @ (first @ a.values + second @ b.values),
        covariance=covariance,
        dof=Scatter(parts).dof(),
        seating_m=seating,
        seating_dof=freedom,
        index=math.sqrt(0.5 * (a.index**2 + b.index**2)),
    )
