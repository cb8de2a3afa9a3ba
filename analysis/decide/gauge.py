"""How well the rig repeats: the same blanks measured again, by one or by several people.

Variance components by the analysis of variance, for a balanced study of blanks × operators × repeats
(AIAG, Measurement Systems Analysis, 4th ed. 2010) and for blanks × repeats of any numbers (ISO 5725-2).
Planes are axes and marks are directions: their scatter is taken about each blank's own axial or circular
mean (Mardia & Jupp, Directional Statistics, 2000), which has no between-blank part.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtrit

from analysis.angles import difference, mean_direction
from analysis.errors import ReadingsError

POOL_LEVEL = 0.25
"""An interaction less significant than this goes into the repeatability (the AIAG manual's usual choice)."""
_DISTINCT = 1.41
"""Classes told apart = 1.41 · between blanks / rig (the AIAG manual's number of distinct categories)."""
_BOTH_SIDES = 0.975
"""A difference of two single measurements means something if it would come by chance one time in twenty."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of an analysis of variance."""

    sum_of_squares: float
    """Sum of squares."""
    dof: int
    """Degrees of freedom."""

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom; nan without any."""
        return self.sum_of_squares / self.dof if self.dof else math.nan


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Where the scatter of repeated measurements comes from; standard deviations in the values' unit."""

    repeatability: float
    """The same blank chucked and measured again by the same person (equipment variation)."""
    reproducibility: float | None
    """Between people, the people's dealing with single blanks in it; None with one person."""
    between_blanks: float
    """Between the blanks themselves (part variation); nan with one blank."""
    dof: float
    """Degrees of freedom behind `rig` (Satterthwaite)."""
    blanks: Line
    """Sum of squares of the blanks; 0 with no degrees of freedom for one blank."""
    operators: Line | None
    """Of the people; None with one person."""
    interaction: Line | None
    """Of people and blanks; None with one person."""
    within: Line
    """Of the repeats."""
    pooled: bool
    """True if the interaction was put to the repeatability."""

    @property
    def rig(self) -> float:
        """Repeatability and reproducibility together: what the rig and its people add."""
        return math.hypot(self.repeatability, self.reproducibility or 0.0)

    @property
    def total(self) -> float:
        """Rig and blanks together."""
        return math.hypot(self.rig, self.between_blanks)

    @property
    def rig_pct(self) -> float:
        """Rig over total, percent of standard deviations; nan where nothing scatters."""
        return 100.0 * self.rig / self.total if self.total > 0.0 else math.nan

    @property
    def classes(self) -> int:
        """How many classes of blanks the rig can tell apart, at least 1; 0 where one blank tells nothing."""
        if math.isnan(self.between_blanks):
            return 0
        if self.rig == 0.0:
            return 1 if self.between_blanks == 0.0 else 1_000
        return max(1, int(_DISTINCT * self.between_blanks / self.rig))

    @property
    def smallest_difference(self) -> float:
        """Smallest difference between two blanks, each measured once, that means anything (95 %).

        t·√2·rig, with Student's t for the degrees of freedom behind the rig's scatter.
        """
        return math.sqrt(2.0) * float(stdtrit(self.dof, _BOTH_SIDES)) * self.rig


def study(values: Mapping[str, Mapping[str, Sequence[float]]]) -> GaugeStudy:
    """Find the variance components of repeated measurements.

    Parameters
    ----------
    values : mapping
        By blank, then by operator (one name for all where nobody is named): the repeats.

    Raises
    ------
    ReadingsError
        Without any repeat, or where several people did not measure all blanks equally often.

    Notes
    -----
    One blank alone tells the rig's scatter and not the blanks': `GaugeStudy.between_blanks` is then nan.
    """
    people = sorted({name for by in values.values() for name in by})
    if len(people) < 2:
        return _one_way([[x for repeats in by.values() for x in repeats] for by in values.values()])
    counts = {len(by.get(name, ())) for by in values.values() for name in people}
    if len(counts) != 1:
        raise ReadingsError(
            "not every operator measured every blank equally often",
            "measure what is missing, or leave the operators out",
        )
    table = np.array([[list(by[name]) for name in people] for by in values.values()], dtype=float)
    return _two_way(table) if len(values) > 1 else _people_alone(table[0])


def _one_way(groups: Sequence[Sequence[float]]) -> GaugeStudy:
    """Blanks and repeats; the blanks may have been repeated differently often."""
    data = [np.asarray(group, dtype=float) for group in groups]
    sizes = np.array([group.size for group in data], dtype=float)
    n, k = float(sizes.sum()), len(data)
    if n <= k:
        raise ReadingsError("no blank was measured twice", "chuck each blank again and record it again")
    grand = float(np.concatenate(data).mean())
    means = np.array([group.mean() for group in data])
    blanks = Line(float(np.sum(sizes * (means - grand) ** 2)), k - 1)
    within = Line(float(sum(np.sum((g - g.mean()) ** 2) for g in data)), int(n) - k)
    between = math.nan
    if k > 1:
        usual = (n - float(np.sum(sizes**2)) / n) / (k - 1)
        between = math.sqrt(max(0.0, (blanks.mean_square - within.mean_square) / usual))
    repeat = math.sqrt(within.mean_square)
    return GaugeStudy(repeat, None, between, within.dof, blanks, None, None, within, False)


def _people_alone(table: np.ndarray) -> GaugeStudy:
    """One blank, people × repeats, shape (operators, repeats)."""
    o, r = table.shape
    if r < 2:
        raise ReadingsError("nobody measured the blank twice", "chuck it again and record it again")
    people = table.mean(axis=1)
    operators = Line(float(r * np.sum((people - people.mean()) ** 2)), o - 1)
    within = Line(float(np.sum((table - people[:, None]) ** 2)), o * (r - 1))
    own = max(0.0, (operators.mean_square - within.mean_square) / r)
    dof = _satterthwaite([(1.0 - (own > 0.0) / r, within), ((own > 0.0) / r, operators)])
    repeat, none = math.sqrt(within.mean_square), Line(0.0, 0)
    return GaugeStudy(repeat, math.sqrt(own), math.nan, dof, none, operators, None, within, False)


def _satterthwaite(parts: Sequence[tuple[float, Line]]) -> float:
    """Degrees of freedom of a sum of mean squares with factors: (Σ a·MS)² / Σ (a·MS)²/ν."""
    terms = [(factor * line.mean_square, line.dof) for factor, line in parts if factor and line.dof]
    below = sum(value**2 / dof for value, dof in terms)
    return sum(value for value, _ in terms) ** 2 / below if below > 0.0 else float(min(d for _, d in terms))


def _two_way(table: np.ndarray) -> GaugeStudy:
    """Blanks × operators × repeats, all random, shape (blanks, operators, repeats)."""
    b, o, r = table.shape
    grand = table.mean()
    blank, person, cell = table.mean(axis=(1, 2)), table.mean(axis=(0, 2)), table.mean(axis=2)
    blanks = Line(float(o * r * np.sum((blank - grand) ** 2)), b - 1)
    operators = Line(float(b * r * np.sum((person - grand) ** 2)), o - 1)
    crossed = cell - blank[:, None] - person[None, :] + grand
    interaction = Line(float(r * np.sum(crossed**2)), (b - 1) * (o - 1))
    within = Line(float(np.sum((table - cell[:, :, None]) ** 2)), b * o * (r - 1))
    pooled = within.dof == 0
    if within.dof and within.mean_square > 0.0:
        ratio = interaction.mean_square / within.mean_square
        pooled = float(fdtrc(interaction.dof, within.dof, ratio)) > POOL_LEVEL
    if pooled:
        rest = Line(interaction.sum_of_squares + within.sum_of_squares, interaction.dof + within.dof)
        repeat, mixed, error = rest.mean_square, 0.0, rest.mean_square
    else:
        repeat, error = within.mean_square, interaction.mean_square
        mixed = max(0.0, (interaction.mean_square - within.mean_square) / r)
    people = max(0.0, (operators.mean_square - error) / (b * r))
    between = max(0.0, (blanks.mean_square - error) / (o * r))
    share, other = float(people > 0.0) / (b * r), float(mixed > 0.0) / r
    if pooled:
        dof = _satterthwaite([(1.0 - share, rest), (share, operators)])
    else:
        dof = _satterthwaite([(1.0 - other, within), (other - share, interaction), (share, operators)])
    return GaugeStudy(
        math.sqrt(repeat),
        math.sqrt(people + mixed),
        math.sqrt(between),
        dof,
        blanks,
        operators,
        interaction,
        within,
        pooled,
    )


@dataclass(frozen=True, slots=True)
class AngleStudy:
    """How well an angle of the same blanks repeats; rad."""

    repeatability: float
    """Standard deviation of single measurements of one person about a blank's own mean."""
    reproducibility: float | None
    """Between people; None with one person."""
    dof: float
    """Degrees of freedom behind both together."""
    widest: float
    """Largest distance of a measurement from its blank's mean."""

    @property
    def smallest_difference(self) -> float:
        """Smallest difference between two single measurements that means anything (95 %)."""
        rig = math.hypot(self.repeatability, self.reproducibility or 0.0)
        return math.sqrt(2.0) * float(stdtrit(self.dof, _BOTH_SIDES)) * rig


def angle_study(values: Mapping[str, Mapping[str, Sequence[float]]], period: float) -> AngleStudy:
    """Scatter of planes (``period=π``) or directions (``2π``) about each blank's own mean.

    Parameters
    ----------
    values : mapping
        By blank, then by operator: the repeats, rad.

    Raises
    ------
    ReadingsError
        If no blank was measured twice, or several people did not measure all blanks equally often.

    Notes
    -----
    The distances from a blank's axial or circular mean are small and lie on a line: what is between people
    and what is within comes from the same analysis of variance as for lengths and loads. That every blank
    has its own mean costs a degree of freedom a blank; the analysis counts it as the blanks' own.
    """
    off: dict[str, dict[str, list[float]]] = {}
    for blank, by in values.items():
        mean, _ = mean_direction([angle for angles in by.values() for angle in angles], period)
        off[blank] = {
            name: [difference(float(angle), mean, period) for angle in angles] for name, angles in by.items()
        }
    found = study(off)
    widest = max(abs(each) for by in off.values() for angles in by.values() for each in angles)
    return AngleStudy(found.repeatability, found.reproducibility, found.dof, widest)
