"""The bent blank: an elastica of any rigidity, clamped at the chuck, under loads along and across the pull.

θ(s), the slope of the blank against the chuck's axis, minimises the energy

    U[θ] = ∫ ½·EI·θ'² ds − ∫ (Q·sin θ + N·cos θ) ds,    θ(0) = 0,

where Q(s) and N(s) are the parts along the pull and along the chuck's axis of all that acts beyond s: the
load up to its station, the blank's own weight, the weight of a clip at the tip (Love, A Treatise on the
Mathematical Theory of Elasticity, 4th ed. 1927, ch. XIX). While Q·sin θ + N·cos θ ≥ 0 the energy is convex.
It is minimised over piecewise polynomials by Newton's method; the Hessian is banded.

x runs along the chuck's axis, y along the pull.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs

from analysis.bend import mesh
from analysis.bend.mesh import Mesh, edges_for
from analysis.bend.profile import Rigidity
from analysis.readings import Floats

_NEWTON_STEPS = 60  # far more than any load takes; then there is no balance
_CLOSE = 2e-7  # rad; Newton converges quadratically: what is left after this step is below rounding
_BOLD = 0.5  # rad; larger steps are checked against the energy
_SAFETY = 2.0  # on the error estimate, which sees the next two polynomials only


class NoBalanceError(ArithmeticError):
    """No balanced shape was found: the load or the travel lies beyond what the blank can take."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What acts on the blank beside the load."""

    station_m: float | None = None
    """Where the load acts, m from the chuck's face; None is the tip."""
    weight: Callable[[Floats], Floats] | float = 0.0
    """Weight per length, N/m, positive along the pull (pull "down"), as a number or a function of s."""
    tip_weight_N: float = 0.0
    """Weight of a clip at the tip, N, positive along the pull."""


BARE = Surroundings()
"""Load at the tip and nothing else."""


@dataclass(frozen=True, slots=True)
class Shape:
    """A bent blank."""

    load_N: float
    """Load along the pull (the tension, where it pulls toward an anchor), N."""
    s_m: Floats
    """Stations along the blank, m, shape (n,)."""
    theta: Floats
    """Slope against the chuck's axis there, rad, positive toward the pull, shape (n,)."""
    x_m: Floats
    """Place along the chuck's axis, m, shape (n,)."""
    y_m: Floats
    """Place along the pull, m, shape (n,)."""
    travel_m: float
    """How far the loaded point stands off the axis along the pull, m (sag by own weight included)."""
    tip: float
    """Slope at the tip, rad."""
    stiffness_N_per_m: float
    """dF/dy of the loaded point, N/m."""
    tip_per_load: float
    """dθ_tip/dF, rad/N."""
    bending_energy_J: float
    """∫ ½·EI·θ'² ds, J."""
    error_m: float = field(default=math.nan)
    """Error estimate of `travel_m` from the next coarser grid, m."""
    error_rad: float = field(default=math.nan)
    """Error estimate of `tip` from the next coarser grid, rad."""

    @property
    def bend_centre(self) -> float:
        """∫θ ds/(L·θ_tip): mean distance from the tip of the curvature, over the length."""
        length = float(self.s_m[-1])
        step = np.diff(self.s_m).reshape(-1, mesh.ORDER)
        half = 0.5 * step.sum(axis=1)
        # Gauss–Lobatto weights of the five nodes: exact for the polynomials θ is made of
        weights = np.array([0.1, 49.0 / 90.0, 32.0 / 45.0, 49.0 / 90.0, 0.1])
        nodes = np.arange(half.size)[:, None] * mesh.ORDER + np.arange(mesh.ORDER + 1)
        whole = float(np.sum(half[:, None] * weights * self.theta[nodes]))
        return whole / (length * self.tip)


class Bender:
    """One blank on one grid, ready to be bent many times.

    Parameters
    ----------
    rigidity : Taper or Profile
        What is bent.
    around : Surroundings
        Where the load acts and what else acts.
    elements : int
        About how many elements; 12 give travel to about 1e-8 of the length for usual tapers.
    knots : bool
        Whether elements end at the rigidity's knots, so that it is smooth inside them.
    """

    def __init__(
        self, rigidity: Rigidity, around: Surroundings = BARE, elements: int = 12, *, knots: bool = False
    ) -> None:
        length = rigidity.length_m
        station = length if around.station_m is None else around.station_m
        if not 0.0 < station <= length * (1.0 + 1e-12):
            raise ValueError("the load acts between the chuck's face and the tip")
        at = (station, *rigidity.knots_m) if knots else (station,)
        self.mesh = Mesh(edges_for(rigidity, elements, at))
        self.length_m = length
        self.station_m = min(station, length)
        grid = self.mesh
        self.EI: Floats = rigidity.EI(grid.points)
        self.set_EI(self.EI)
        self.reach: Floats = grid.weights * (grid.points < self.station_m)
        """Quadrature weight where the load's force runs through the blank, m."""
        weight = around.weight
        per_length = weight(grid.points) if callable(weight) else np.full_like(grid.points, float(weight))
        self.still: Floats = np.full_like(grid.points, around.tip_weight_N)
        if np.any(per_length):
            hung = grid.integral(per_length)
            beyond = hung[-1] - grid.by_element(hung) @ mesh.VALUES
            self.still = self.still + beyond
        self._loaded = bool(np.any(self.still))

    def set_EI(self, EI: Floats) -> None:
        """Take another rigidity on the same grid, N·m² at the quadrature points, shape (e, 6)."""
        self.EI = EI
        self._spring: Floats = self.mesh.weights * EI / self.mesh.half**2
        self._spring_pairs: Floats = self._spring @ mesh.SLOPE_PAIRS

    def relax(self, load_N: float, axial_N: float = 0.0, start: Floats | None = None) -> Floats:
        """θ at the nodes in balance, rad, shape (4e + 1,).

        Parameters
        ----------
        load_N, axial_N : float
            The load's parts along the pull and along the chuck's axis (positive toward the tip), N.
        start : ndarray, optional
            A guess, for instance the shape at a neighbouring load.

        Raises
        ------
        NoBalanceError
            If no minimum of the energy is found.
        """
        across = self.reach * load_N
        if self._loaded:
            across = across + self.mesh.weights * self.still
        along = self.reach * axial_N if axial_N else None
        if start is None:
            start = self._first_guess(across, along)
        theta = start.copy()
        for _ in range(_NEWTON_STEPS):
            slope, band = self._balance(theta, across, along)
            factor, bad = dpbtrf(band, lower=0, overwrite_ab=1)
            shift = 1e-3
            while bad:
                _, band = self._balance(theta, across, along)
                band[mesh.ORDER] *= 1.0 + shift
                factor, bad = dpbtrf(band, lower=0, overwrite_ab=1)
                shift *= 4.0
                if shift > 1e12:
                    raise NoBalanceError("the stiffness of the bent blank is not finite")
            step = -dpbtrs(factor, slope, lower=0)[0]
            size = float(np.abs(step).max())
            if not math.isfinite(size):
                raise NoBalanceError("the bent shape is not finite")
            if size > _BOLD:
                step *= self._shorten(theta, step * min(1.0, 1.5 / size), across, along) * min(
                    1.0, 1.5 / size
                )
            theta[1:] += step
            if size < _CLOSE and shift == 1e-3:
                return theta
        raise NoBalanceError("the bent shape did not settle")

    def _first_guess(self, across: Floats, along: Floats | None) -> Floats:
        """Guess from small bending, bent over smoothly where it would pass the vertical."""
        theta = np.zeros(self.mesh.nodes.size)
        slope, band = self._balance(theta, across, None if along is None else np.maximum(along, 0.0))
        factor, _ = dpbtrf(band, lower=0, overwrite_ab=1)
        theta[1:] = -dpbtrs(factor, slope, lower=0)[0]
        return np.asarray(1.5 * np.tanh(theta / 1.5), dtype=float)

    def _balance(self, theta: Floats, across: Floats, along: Floats | None) -> tuple[Floats, Floats]:
        """Gradient of the energy, shape (4e,), and its Hessian as an upper band, shape (5, 4e)."""
        grid = self.mesh
        both = grid.by_element(theta) @ mesh.VALUES_AND_SLOPES
        here, bend = both[:, : mesh.WEIGHTS.size], both[:, mesh.WEIGHTS.size :]
        sine, cosine = np.sin(here), np.cos(here)
        push, hold = across * cosine, across * sine
        if along is not None:
            push, hold = push - along * sine, hold + along * cosine
        slope = grid.vector((self._spring * bend) @ mesh.SLOPES.T - push @ mesh.VALUES.T)
        return slope, grid.matrix(self._spring_pairs + hold @ mesh.VALUE_PAIRS)

    def _energy(self, theta: Floats, across: Floats, along: Floats | None) -> float:
        both = self.mesh.by_element(theta) @ mesh.VALUES_AND_SLOPES
        here, bend = both[:, : mesh.WEIGHTS.size], both[:, mesh.WEIGHTS.size :]
        energy = 0.5 * np.sum(self._spring * bend**2) - np.sum(across * np.sin(here))
        if along is not None:
            energy -= np.sum(along * np.cos(here))
        return float(energy)

    def _shorten(self, theta: Floats, step: Floats, across: Floats, along: Floats | None) -> float:
        """Largest of 1, ½, ¼ … by which the step lowers the energy."""
        before = self._energy(theta, across, along)
        part = 1.0
        while part > 1e-6:
            trial = theta.copy()
            trial[1:] += part * step
            if self._energy(trial, across, along) <= before:
                return part
            part *= 0.5
        return part

    def linear(self, theta: Floats, load_N: float, axial_N: float = 0.0) -> Linearised:
        """Linearise about a balanced shape: exact derivatives of travel and tip slope."""
        return Linearised(self, theta, load_N, axial_N)

    def place(self, theta: Floats) -> tuple[Floats, Floats]:
        """Place of the nodes along the axis and along the pull, m."""
        here = self.mesh.by_element(theta) @ mesh.VALUES
        return self.mesh.integral(np.cos(here)), self.mesh.integral(np.sin(here))

    def travel(self, theta: Floats) -> float:
        """How far the loaded point stands off the axis along the pull, m."""
        here = self.mesh.by_element(theta) @ mesh.VALUES
        return float(np.sum(self.reach * np.sin(here)))

    def bending_energy(self, theta: Floats) -> float:
        """∫ ½·EI·θ'² ds, J."""
        bend = self.mesh.by_element(theta) @ mesh.SLOPES
        return float(0.5 * (self._spring * bend**2).sum())

    def shape(self, theta: Floats, load_N: float, axial_N: float = 0.0) -> Shape:
        """Everything about a balanced shape, its errors estimated on this grid alone."""
        state = self.linear(theta, load_N, axial_N)
        x, y = self.mesh.integral(np.array([state.cosine, state.sine]))
        error_m, error_rad = state.errors()
        return Shape(
            load_N=load_N if axial_N == 0.0 else math.hypot(load_N, axial_N),
            s_m=self.mesh.nodes,
            theta=theta,
            x_m=x,
            y_m=y,
            travel_m=float((self.reach * state.sine).sum()),
            tip=float(theta[-1]),
            stiffness_N_per_m=1.0 / state.travel_per_load,
            tip_per_load=state.tip_per_load,
            bending_energy_J=self.bending_energy(theta),
            error_m=error_m,
            error_rad=error_rad,
        )

    def to_travel(self, travel_m: float, load_N: float, start: Floats | None = None) -> tuple[Floats, float]:
        """θ in balance and the load, N, at a travel, m, from a guess of the load.

        The load is found by Newton's method on the travel with the exact dy/dF, kept between the loads known
        to be too small and too large.
        """
        load, theta = load_N, start
        low, high = -math.inf, math.inf
        for _ in range(_NEWTON_STEPS):
            theta = self.relax(load, start=theta)
            state = self.linear(theta, load)
            miss = self.travel(theta) - travel_m
            if miss > 0.0:
                high = min(high, load)
            else:
                low = max(low, load)
            step = -miss / state.travel_per_load
            if abs(step) <= 1e-13 * abs(load) or abs(miss) <= 1e-15 * self.length_m:
                return theta, load
            following = load + step
            if not low < following < high:
                following = (
                    0.5 * (low + high) if math.isfinite(low + high) else load + math.copysign(abs(load), step)
                )
            if abs(following) > 1e6 * (abs(load_N) + 1e-12):
                break
            if abs(following - load) * abs(state.tip_per_load) < _BOLD:
                theta = theta + (following - load) * state.shape_per_load
            load = following
        if theta is not None and abs(miss) <= 1e-12 * self.length_m:
            return theta, load
        raise NoBalanceError(f"no load bends the blank to a travel of {travel_m:.4g} m")


class Linearised:
    """Small changes about a balanced shape (the Hessian factored once).

    With H the Hessian, dθ/dF = H⁻¹·b where b is also the gradient of the travel; the adjoint of the travel is
    therefore dθ/dF itself, and one more solve gives the adjoint of the tip's slope.
    """

    def __init__(self, bender: Bender, theta: Floats, load_N: float, axial_N: float = 0.0) -> None:
        grid = bender.mesh
        self._bender = bender
        self._across = bender.reach * load_N + grid.weights * bender.still
        self._along = bender.reach * axial_N if axial_N else None
        both = grid.by_element(theta) @ mesh.VALUES_AND_SLOPES
        here, self.bend = both[:, : mesh.WEIGHTS.size], both[:, mesh.WEIGHTS.size :]
        self.sine: Floats = np.sin(here)
        """sin θ at the quadrature points, shape (e, 6)."""
        self.cosine: Floats = np.cos(here)
        """cos θ at the quadrature points, shape (e, 6)."""
        self._hold = self._across * self.sine
        if self._along is not None:
            self._hold = self._hold + self._along * self.cosine
        band = grid.matrix(bender._spring_pairs + self._hold @ mesh.VALUE_PAIRS)
        factor, bad = dpbtrf(band, lower=0, overwrite_ab=1)
        if bad:
            raise NoBalanceError("the bent shape is not stable")
        sides = np.zeros((3, grid.count * mesh.ORDER)).T
        sides[:, 0] = grid.vector((bender.reach * self.cosine) @ mesh.VALUES.T)
        sides[-1, 1] = 1.0
        sides[:, 2] = -grid.vector((bender.reach * self.sine) @ mesh.VALUES.T)
        self._sides = sides
        self._answers: Floats = dpbtrs(factor, sides, lower=0)[0]

    @property
    def travel_per_load(self) -> float:
        """dy/dF of the loaded point along the pull, m/N."""
        return float(self._sides[:, 0] @ self._answers[:, 0])

    @property
    def tip_per_load(self) -> float:
        """dθ_tip/dF, rad/N."""
        return float(self._answers[-1, 0])

    @property
    def shape_per_load(self) -> Floats:
        """dθ/dF at the nodes, rad/N, shape (4e + 1,)."""
        return np.concatenate(([0.0], self._answers[:, 0]))

    @property
    def place_per_force(self) -> Floats:
        """d(x, y) of the loaded point / d(axial force, load), m/N, shape (2, 2)."""
        sides, answers = self._sides[:, [2, 0]], self._answers[:, [2, 0]]
        return np.asarray(sides.T @ answers, dtype=float)

    @property
    def place_per_moment(self) -> Floats:
        """d(x, y) of the loaded point per end moment at the tip, m/(N·m), shape (2,)."""
        return np.asarray(self._sides[:, [2, 0]].T @ self._answers[:, 1], dtype=float)

    def slope_per_force(self, node: int) -> Floats:
        """dθ at a node (not the first) / d(axial force, load), rad/N, shape (2,)."""
        return self._answers[node - 1, [2, 0]]

    def slope_per_moment(self, node: int) -> float:
        """dθ at a node (not the first) per end moment at the tip, rad/(N·m)."""
        return float(self._answers[node - 1, 1])

    def axial_per_log_EI(self) -> Floats:
        """δx of the loaded point/δ(log EI), as `travel_per_log_EI`."""
        return self._per_log_EI(2)

    def travel_per_log_EI(self) -> Floats:
        """δy/δ(log EI) at the quadrature points, weights included, m, shape (e, 6)."""
        return self._per_log_EI(0)

    def tip_per_log_EI(self) -> Floats:
        """δθ_tip/δ(log EI) at the quadrature points, weights included, rad, shape (e, 6)."""
        return self._per_log_EI(1)

    def _per_log_EI(self, which: int) -> Floats:
        adjoint = np.concatenate(([0.0], self._answers[:, which]))
        slope = self._bender.mesh.by_element(adjoint) @ mesh.SLOPES
        out: Floats = -self._bender._spring * self.bend * slope
        return out

    def errors(self) -> tuple[float, float]:
        """Error estimates of travel, m, and of the tip's slope, rad, from this grid alone.

        What the elements' next two polynomials would add to θ is found element by element from the balance
        they are out of; weighed with the same for the adjoints of travel and slope it gives the errors of
        both (Bank & Smith 1993, SIAM J. Numer. Anal. 30:921; Becker & Rannacher 2001, Acta Numerica 10:1).
        Sizes are added, so nothing cancels. It holds where the rigidity is smooth inside the elements.
        """
        bender = self._bender
        push = self._across * self.cosine
        if self._along is not None:
            push = push - self._along * self.sine
        adjoints = np.zeros((2, bender.mesh.nodes.size))
        adjoints[:, 1:] = self._answers[:, :2].T
        both = bender.mesh.by_element(adjoints) @ mesh.VALUES_AND_SLOPES
        values, slopes = both[..., : mesh.WEIGHTS.size], both[..., mesh.WEIGHTS.size :]
        spring = bender._spring
        stiff = spring @ mesh.EXTRA_SLOPES**2
        off = push @ mesh.EXTRA_VALUES - (spring * self.bend) @ mesh.EXTRA_SLOPES
        adjoint_off = -(spring * slopes) @ mesh.EXTRA_SLOPES - (self._hold * values) @ mesh.EXTRA_VALUES
        adjoint_off[0] += (bender.reach * self.cosine) @ mesh.EXTRA_VALUES
        errors = np.abs(off * adjoint_off / stiff).sum(axis=(1, 2))
        return _SAFETY * float(errors[0]), _SAFETY * float(errors[1])
