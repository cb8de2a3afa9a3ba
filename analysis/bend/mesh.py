"""Elements for a function θ(s) along the blank: nodes, quadrature, and banded assembly.

Each element carries a polynomial of degree 4 through Gauss–Lobatto points and is integrated with six Gauss
points (exact to degree 11), so travel and slope converge with the eighth power of the element's length
where the rigidity is smooth inside the elements (Babuška & Suri 1994, SIAM Review 36:578).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.polynomial import Polynomial, legendre
from numpy.typing import NDArray

from analysis.bend.profile import Rigidity
from analysis.readings import Floats

ORDER = 4
"""Degree of θ inside an element."""
_POINTS = 6
"""Gauss points in an element: exact to degree 11, the squares of the slopes with a smooth rigidity."""


def _reference() -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Nodes, quadrature points and weights on [−1, 1]; values, slopes and running integrals of the basis."""
    inner = np.sqrt(3.0 / 7.0)
    nodes = np.array([-1.0, -inner, 0.0, inner, 1.0])  # Gauss–Lobatto, 5 points (closed form)
    points, weights = legendre.leggauss(_POINTS)
    basis = [Polynomial.fromroots(np.delete(nodes, a)) for a in range(ORDER + 1)]
    basis = [one / one(node) for one, node in zip(basis, nodes, strict=True)]
    values = np.array([one(points) for one in basis])
    slopes = np.array([one.deriv()(points) for one in basis])
    lagrange = [Polynomial.fromroots(np.delete(points, q)) for q in range(_POINTS)]
    lagrange = [one / one(point) for one, point in zip(lagrange, points, strict=True)]
    running = np.array([one.integ(lbnd=-1.0)(nodes) for one in lagrange])
    return nodes, points, weights, values, slopes, running


NODES, POINTS, WEIGHTS, VALUES, SLOPES, RUNNING = _reference()
# VALUES[a, q], SLOPES[a, q]: basis a at quadrature point q; RUNNING[q, a]: integral from −1 to node a of
# the polynomial that is 1 at point q.
VALUES_AND_SLOPES = np.hstack([VALUES, SLOPES])
_PAIRS = [(a, b) for b in range(ORDER + 1) for a in range(b + 1)]
_A = np.array([a for a, _ in _PAIRS[1:]])
_B = np.array([b for _, b in _PAIRS[1:]])
_ROWS = ORDER + _A - _B
_COLUMNS = _B - 1
VALUE_PAIRS = np.array([VALUES[a] * VALUES[b] for a, b in _PAIRS]).T.copy()
"""Products of basis values, shape (6, 15); the first pair is (0, 0)."""
SLOPE_PAIRS = np.array([SLOPES[a] * SLOPES[b] for a, b in _PAIRS]).T.copy()
"""Products of basis slopes, shape (6, 15)."""


def _extra() -> tuple[Floats, Floats]:
    """Values and slopes of the next two polynomials, which vanish at an element's ends, shape (6, 2)."""
    slopes = [legendre.Legendre.basis(degree) for degree in (ORDER, ORDER + 1)]
    values = [one.integ(lbnd=-1.0) for one in slopes]
    return (
        np.array([one(POINTS) for one in values]).T.copy(),
        np.array([one(POINTS) for one in slopes]).T.copy(),
    )


EXTRA_VALUES, EXTRA_SLOPES = _extra()
_EVEN = np.linspace(0.0, 1.0, 101)


class Mesh:
    """Elements between `edges`; unknowns are θ at all nodes but the clamped first.

    Parameters
    ----------
    edges : ndarray, shape (e + 1,)
        Rising stations, m, the first at the chuck's face.
    """

    def __init__(self, edges: Floats) -> None:
        self.edges = edges
        self.count = edges.size - 1
        self.half: Floats = 0.5 * (edges[1:] - edges[:-1])[:, None]
        """Half of each element's length, m, shape (e, 1)."""
        middle = 0.5 * (edges[:-1] + edges[1:])[:, None]
        self.points: Floats = middle + self.half * POINTS
        """Quadrature stations, m, shape (e, 6)."""
        self.weights: Floats = self.half * WEIGHTS
        """Quadrature weights, m, shape (e, 6)."""
        self.nodes: Floats = np.empty(self.count * ORDER + 1)
        self.nodes[0] = edges[0]
        self.nodes[1:] = (middle + self.half * NODES[1:]).ravel()
        """Stations of the nodes, m, shape (4e + 1,)."""
        self._gather: NDArray[np.intp] = np.arange(self.count)[:, None] * ORDER + np.arange(ORDER + 1)

    def by_element(self, theta: Floats) -> Floats:
        """θ at the nodes, clamped one included, element by element: shape (…, 4e + 1) → (…, e, 5)."""
        out: Floats = theta[..., self._gather]
        return out

    def vector(self, parts: Floats) -> Floats:
        """Sum element vectors, shape (e, 5), into one over the unknowns, shape (4e,)."""
        out = parts[:, 1:].copy()
        out[:-1, -1] += parts[1:, 0]
        return out.ravel()

    def matrix(self, parts: Floats) -> Floats:
        """Sum element matrices, given as pairs, shape (e, 15), into LAPACK's upper band, shape (5, 4e)."""
        band = np.zeros((self.count, ORDER, ORDER + 1))
        band[:, _COLUMNS, _ROWS] = parts[:, 1:]
        band[:-1, -1, ORDER] += parts[1:, 0]
        return band.reshape(self.count * ORDER, ORDER + 1).T

    def integral(self, values: Floats) -> Floats:
        """Integrate functions, given at the quadrature points, to each node: (…, e, 6) → (…, 4e + 1)."""
        parts = self.half * (values @ RUNNING)
        parts[..., 1:, :] += np.cumsum(parts[..., -1], axis=-1)[..., :-1, None]
        out: Floats = np.zeros((*values.shape[:-2], self.nodes.size))
        out[..., 1:] = parts[..., 1:].reshape(*values.shape[:-2], -1)
        return out


def edges_for(rigidity: Rigidity, count: int, stations: Sequence[float] = ()) -> Floats:
    """Element edges, denser where a tip load bends the blank most and where its rigidity changes fast.

    The given stations are among them.

    Parameters
    ----------
    rigidity : Taper or Profile
    count : int
        About how many elements.
    stations : sequence of float
        Stations that must be edges: loads, corners of the rigidity.
    """
    length = rigidity.length_m
    s = length * _EVEN
    rigidity_there = rigidity.EI(s)
    bending = (length - s) / rigidity_there
    density = 0.5 + bending * (0.5 * s.size / bending.sum())
    steep = np.abs(np.diff(np.log(rigidity_there))) * (0.8 * (s.size - 1))
    placed = np.zeros(s.size)
    (density[:-1] + density[1:] + steep).cumsum(out=placed[1:])
    edges: Floats = np.interp(np.arange(count + 1) * (placed[-1] / count), placed, s)
    edges[-1] = length
    if not stations and not rigidity.breaks_m:
        return edges
    fixed = np.array([*stations, *rigidity.breaks_m])
    fixed = fixed[(fixed > 1e-9 * length) & (fixed < (1.0 - 1e-9) * length)]
    if not fixed.size:
        return edges
    near = np.abs(edges[1:-1, None] - fixed).min(axis=1) <= 0.1 * length / count
    return np.unique(np.concatenate([edges[:1], edges[1:-1][~near], fixed, edges[-1:]]))
