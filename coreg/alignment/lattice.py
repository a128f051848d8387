"""A cubic B-spline displacement on a lattice, and the sums that Gauss–Newton steps need of it.

The basis is separable, so sums over pixels of products of basis functions are three small matrix
products; a step costs milliseconds where a general sparse product would cost seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from coreg.geometry import Grid

_REACH = 4  # basis functions that overlap at a point, per axis


@dataclass(frozen=True)
class Lattice:
    """Cubic B-splines with knots every `step` mm over the area of `grid` (plane).

    Coefficients are (size, 2) in mm of the plane, row by row; the outermost lie beyond the edge.
    """

    grid: Grid
    step: float

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of coefficients."""
        return tuple(len(axis[0]) - 4 for axis in self._axes)  # type: ignore[return-value]

    @cached_property
    def size(self) -> int:
        """Number of basis functions."""
        return self.shape[0] * self.shape[1]

    @cached_property
    def _axes(self) -> list[tuple[np.ndarray, float, float]]:
        axes = []
        low, high = self.grid.bounds[:2], self.grid.bounds[2:]
        for a, b in zip(low, high, strict=True):
            pieces = max(1, int(np.ceil((b - a) / self.step)))
            start = (a + b) / 2 - pieces * self.step / 2
            knots = start + self.step * np.arange(-3, pieces + 4)
            axes.append((knots, start, start + pieces * self.step))
        return axes

    def along(self, axis: int, positions: np.ndarray, derivative: int = 0) -> np.ndarray:
        """One-dimensional basis (or its derivative per mm) at positions in mm; (n, functions).

        Positions outside the lattice are taken at its edge, where the derivative is 0.
        """
        knots, low, high = self._axes[axis]
        inside = np.clip(positions, low, high)
        first = np.clip(((inside - low) / self.step).astype(int), 0, len(knots) - 8)
        t = (inside - low) / self.step - first
        if derivative == 0:
            parts = [
                (1 - t) ** 3 / 6,
                (3 * t**3 - 6 * t**2 + 4) / 6,
                (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6,
                t**3 / 6,
            ]
        elif derivative == 1:
            parts = [
                -((1 - t) ** 2) / 2,
                (9 * t**2 - 12 * t) / 6,
                (-9 * t**2 + 6 * t + 3) / 6,
                t**2 / 2,
            ]
        else:
            parts = [1 - t, 3 * t - 2, 1 - 3 * t, t]
        out = np.zeros((len(inside), len(knots) - 4))
        rows = np.arange(len(inside))
        for k, part in enumerate(parts):
            out[rows, first + k] = part / self.step**derivative
        if derivative:
            out[inside != positions] = 0.0
        return out

    @cached_property
    def _on_grid(self) -> tuple[np.ndarray, np.ndarray]:
        return self.along(0, self.grid.rows), self.along(1, self.grid.columns)

    def field(self, coefficients: np.ndarray) -> np.ndarray:
        """The displacement at the grid's pixel centres; (rows, columns, 2) mm."""
        by, bx = self._on_grid
        c = coefficients.reshape(*self.shape, 2)
        return np.stack([by @ c[..., i] @ bx.T for i in (0, 1)], axis=-1)

    def field_on(self, grid: Grid, coefficients: np.ndarray) -> np.ndarray:
        """The displacement at another grid's pixel centres; (rows, columns, 2) mm."""
        by, bx = self.along(0, grid.rows), self.along(1, grid.columns)
        c = coefficients.reshape(*self.shape, 2)
        return np.stack([by @ c[..., i] @ bx.T for i in (0, 1)], axis=-1)

    def gradient(self, coefficients: np.ndarray) -> np.ndarray:
        """Its derivatives there; (rows, columns, 2, 2), d displacement[i] / d position[j]."""
        by, bx = self._on_grid
        dy, dx = self._slopes
        c = coefficients.reshape(*self.shape, 2)
        parts = [np.stack([dy @ c[..., i] @ bx.T, by @ c[..., i] @ dx.T], axis=-1) for i in (0, 1)]
        return np.stack(parts, axis=-2)

    @cached_property
    def _slopes(self) -> tuple[np.ndarray, np.ndarray]:
        return self.along(0, self.grid.rows, 1), self.along(1, self.grid.columns, 1)

    def at(self, points: np.ndarray) -> np.ndarray:
        """The basis at plane points (n, 2); (n, size)."""
        by, bx = self.along(0, points[:, 0]), self.along(1, points[:, 1])
        return np.asarray((by[:, :, None] * bx[:, None, :]).reshape(len(points), -1))

    @cached_property
    def nodes(self) -> np.ndarray:
        """Where each basis function is centred, plane mm; (size, 2)."""
        rows, columns = (axis[0][2:-2] for axis in self._axes)
        return np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2)

    def project(self, values: np.ndarray) -> np.ndarray:
        """Sums over pixels of values (rows, columns) times each basis function; (size,)."""
        by, bx = self._on_grid
        return np.asarray((by.T @ values @ bx).ravel())

    def gram(self, weights: np.ndarray) -> np.ndarray:
        """Sums over pixels of weights times products of two basis functions; (size, size)."""
        return self._assemble(self._pairs[0].T @ weights @ self._pairs[1])

    @cached_property
    def bending(self) -> np.ndarray:
        """Integral over the lattice of squared second derivatives, per mm² of it; (size, size)."""
        return self._integral([(2, 0, 1.0), (1, 1, 2.0), (0, 2, 1.0)])

    @cached_property
    def stretching(self) -> np.ndarray:
        """Integral over the lattice of squared first derivatives, per mm² of it; (size, size)."""
        return self._integral([(1, 0, 1.0), (0, 1, 1.0)])

    def prior(self, strain: float, length: float, *, flat: bool = False) -> np.ndarray:
        """Precision of the coefficients that tissue's stiffness gives; (size, size).

        Parameters
        ----------
        strain : standard deviation of local stretch; length : mm over which displacement is alike
        flat : whether affine displacements are free
        """
        smooth = 0.3 * self.stretching / length**2 + 0.1 * self.bending
        if flat:
            affine = np.column_stack([np.ones(self.size), self.nodes - self.nodes.mean(axis=0)])
            held = smooth @ affine
            smooth = smooth - held @ np.linalg.pinv(affine.T @ held, rcond=1e-10) @ held.T
        return np.asarray(smooth / strain**2)

    def carried(self, coarse: Lattice, coefficients: np.ndarray) -> np.ndarray:
        """The displacement of another lattice on this one, by least squares over the pixels."""
        field = coarse.field_on(self.grid, coefficients)
        gram = self.gram(np.ones(self.grid.shape))
        gram += 1e-6 * np.trace(gram) / self.size * np.eye(self.size)
        right = np.stack([self.project(field[..., i]) for i in (0, 1)], axis=1)
        return np.asarray(np.linalg.solve(gram, right))

    def _integral(self, terms: list[tuple[int, int, float]]) -> np.ndarray:
        total = np.zeros((self.size, self.size))
        for dy, dx, weight in terms:
            parts = [self._line_integral(0, dy), self._line_integral(1, dx)]
            total += weight * np.kron(parts[0], parts[1])
        return total

    def _line_integral(self, axis: int, derivative: int) -> np.ndarray:
        """Integral of products of two derivatives along one axis, by Gauss points (exact)."""
        _, low, high = self._axes[axis]
        nodes, weights = np.polynomial.legendre.leggauss(4)
        pieces = round((high - low) / self.step)
        starts = low + self.step * np.arange(pieces)
        positions = (starts[:, None] + self.step * (nodes + 1) / 2).ravel()
        basis = self.along(axis, positions, derivative)
        return np.asarray(basis.T @ (np.tile(weights * self.step / 2, pieces)[:, None] * basis))

    @cached_property
    def _pairs(self) -> tuple[np.ndarray, np.ndarray]:
        """Products of basis functions i and i + k at the pixels, k = 0 … 3; (pixels, 4 n) each."""
        both = []
        for basis in self._on_grid:
            products = []
            for k in range(_REACH):
                shifted = np.zeros_like(basis)
                shifted[:, : basis.shape[1] - k] = basis[:, k:]
                products.append(basis * shifted)
            both.append(np.concatenate(products, axis=1))
        return both[0], both[1]

    def _assemble(self, sums: np.ndarray) -> np.ndarray:
        """Spread sums over pairs (4 n, 4 m) of neighbours into the full symmetric matrix."""
        n, m = self.shape
        table = sums.reshape(_REACH, n, _REACH, m)
        out = np.zeros((n, n, m, m))
        for k in range(_REACH):
            i = np.arange(n - k)
            for q in range(_REACH):
                j = np.arange(m - q)
                part = table[k][: n - k][:, q, : m - q]
                for a, b in [(0, k), (k, 0)][: 1 + (k > 0)]:
                    for c, d in [(0, q), (q, 0)][: 1 + (q > 0)]:
                        out[(i + a)[:, None], (i + b)[:, None], j + c, j + d] = part
        return out.transpose(0, 2, 1, 3).reshape(self.size, self.size)


@dataclass(frozen=True)
class Tilted:
    """The affine displacement ``[1, q] @ coefficients``, q = (p - centre) / scale; as `Lattice`."""

    grid: Grid

    @cached_property
    def centre(self) -> np.ndarray:
        """The middle of the grid, plane mm."""
        top, left, bottom, right = self.grid.bounds
        return np.array([(top + bottom) / 2, (left + right) / 2])

    @cached_property
    def scale(self) -> float:
        """Half the longer side of the grid, mm."""
        return max(self.grid.size) / 2

    @property
    def size(self) -> int:
        """Number of basis functions."""
        return 3

    @cached_property
    def _maps(self) -> np.ndarray:
        return self.at(self.grid.centres()).T.reshape(3, *self.grid.shape)

    def at(self, points: np.ndarray) -> np.ndarray:
        """The basis at plane points (n, 2); (n, 3)."""
        return np.column_stack([np.ones(len(points)), (points - self.centre) / self.scale])

    def field(self, coefficients: np.ndarray) -> np.ndarray:
        """The displacement at the grid's pixel centres; (rows, columns, 2) mm."""
        return np.tensordot(self._maps, coefficients, axes=(0, 0))

    def gradient(self, coefficients: np.ndarray) -> np.ndarray:
        """Its derivatives, the same everywhere; (1, 1, 2, 2)."""
        return np.asarray(coefficients[1:].T[None, None] / self.scale)

    def project(self, values: np.ndarray) -> np.ndarray:
        """Sums over pixels of values times each basis function; (3,)."""
        return np.tensordot(self._maps, values, axes=((1, 2), (0, 1)))

    def gram(self, weights: np.ndarray) -> np.ndarray:
        """Sums over pixels of weights times products of two basis functions; (3, 3)."""
        flat = self._maps.reshape(3, -1)
        return np.asarray((flat * weights.ravel()) @ flat.T)
