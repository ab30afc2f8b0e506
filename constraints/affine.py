"""Affine maps y = matrix @ x + offset, where x are the changes that a suggestion may make.

Two kinds of matrix, one interface. `Band` is for the long and narrow ones: each row holds a few neighbouring
columns, as in differences of samples or in samples of a keyed curve; its normal matrix is banded and solved
in linear time. A dense array is for everything else. Both are built without scipy.sparse, whose construction
costs more than the solve.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import comb

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _first(start: NDArray[np.intp]) -> int | None:
    if not len(start):
        return 0
    first = int(start[0])
    if int(start[-1]) - first != len(start) - 1:
        return None
    return first if bool(np.all(start[1:] - start[:-1] == 1)) else None


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A matrix whose row i holds `entries[i]` in the columns start[i] .. start[i] + width - 1.

    entries: (m, width); start: (m,) whole, start + width <= columns and never falling.
    """

    entries: Array
    start: NDArray[np.intp]
    columns: int
    # Where each row starts one column after the row before, the first row's start; None elsewhere. Such a
    # matrix is applied by slices, several times faster than by index arrays.
    first: int | None = field(init=False)

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.entries), self.columns

    @property
    def width(self) -> int:
        return int(self.entries.shape[1])

    def __post_init__(self) -> None:
        object.__setattr__(self, "first", _first(self.start))

    @property
    def stencil(self) -> Array | None:
        """(width,) the one row that all rows repeat, known by sharing its memory; None elsewhere."""
        return self.entries[0] if len(self.entries) and self.entries.strides[0] == 0 else None

    def column(self, j: int) -> Array | float:
        """`entries[:, j]`, as a plain number where all rows are alike: that saves a pass over memory."""
        row = self.stencil
        return self.entries[:, j] if row is None else float(row[j])

    def __matmul__(self, x: Array) -> Array:
        """matrix @ x for x of shape (n,) or (n, r)."""
        total = self._part(x, 0)
        for j in range(1, self.width):
            total += self._part(x, j)
        return total

    def _part(self, x: Array, j: int) -> Array:
        """What the j-th entries of all rows add to matrix @ x."""
        rows, column = len(self.start), self.column(j)
        part = x[self.start + j] if self.first is None else x[self.first + j : self.first + j + rows]
        return part * (column if x.ndim == 1 or isinstance(column, float) else column[:, None])

    def transposed_times(self, y: Array) -> Array:
        """matrix.T @ y for y of shape (m,)."""
        rows, first = len(self.start), self.first
        total = np.zeros(self.columns)
        for j in range(self.width):
            weighted = self.column(j) * y
            if first is None:
                total += np.bincount(self.start + j, weighted, self.columns)
            else:
                total[first + j : first + j + rows] += weighted
        return total

    def gram(self, weight: Array) -> Array:
        """Lower bands (width, n) of matrix.T @ diag(weight) @ matrix, as scipy.linalg.solveh_banded takes
        them."""
        bands = np.zeros((self.width, self.columns))
        self.add_gram(weight, bands)
        return bands

    def add_gram(self, weight: Array, bands: Array) -> None:
        """Add `gram(weight)` to lower bands (at least width, n) in place."""
        rows, first = len(self.start), self.first
        charge: Array | float = float(weight[0]) if rows and weight.strides[0] == 0 else weight
        if (
            isinstance(charge, float)
            and self.stencil is not None
            and first is not None
            and rows >= self.width
        ):
            self._add_repeated_gram(charge * self.stencil, self.stencil, first, bands)
            return
        for j in range(self.width):
            weighted = charge * self.column(j)
            for k in range(j, self.width):
                product = weighted * self.column(k)
                if first is None:
                    full = np.broadcast_to(np.asarray(product), (rows,))
                    bands[k - j] += np.bincount(self.start + j, full, self.columns)
                else:
                    bands[k - j, first + j : first + j + rows] += product

    def _add_repeated_gram(self, weighted: Array, row: Array, first: int, bands: Array) -> None:
        """Where every row and weight is alike, all columns but a few at the ends are alike too: one pass."""
        rows, width = len(self.start), self.width
        inner = slice(first + width - 1, first + rows)
        column = [float(weighted[: width - d] @ row[d:]) for d in range(width)]
        bands[:width, inner] += np.array(column)[:, None]
        for j in range(width):
            for k in range(j, width):
                bands[k - j, first + j : inner.start] += weighted[j] * row[k]
                bands[k - j, inner.stop : first + j + rows] += weighted[j] * row[k]

    def dense(self) -> Array:
        full = np.zeros(self.shape)
        rows = np.arange(len(self.start))
        for j in range(self.width):
            full[rows, self.start + j] += self.entries[:, j]
        return full


Matrix = Band | Array


def dense(matrix: Matrix) -> Array:
    return matrix.dense() if isinstance(matrix, Band) else matrix


def transposed_times(matrix: Matrix, y: Array) -> Array:
    """matrix.T @ y, whichever kind the matrix is."""
    return matrix.transposed_times(y) if isinstance(matrix, Band) else matrix.T @ y


def difference(order: int, size: int) -> Band:
    """The differences of `order` of `size` equidistant samples: (size - order, size)."""
    stencil = np.array([(-1.0) ** (order - j) * comb(order, j) for j in range(order + 1)])
    rows = max(size - order, 0)
    return Band(np.broadcast_to(stencil, (rows, order + 1)), np.arange(rows), size)


def identity(size: int) -> Band:
    return Band(np.broadcast_to(1.0, (size, 1)), np.arange(size), size)


@dataclass(frozen=True, slots=True, eq=False)
class Affine:
    """y = matrix @ x + offset: matrix (m, n), offset (m,)."""

    matrix: Matrix
    offset: Array

    def __post_init__(self) -> None:
        if self.matrix.shape[0] != len(self.offset):
            raise ValueError(f"offset has {len(self.offset)} rows, matrix {self.matrix.shape[0]}")

    @property
    def rows(self) -> int:
        return len(self.offset)

    @property
    def size(self) -> int:
        return int(self.matrix.shape[1])

    def __call__(self, x: Array) -> Array:
        return self.matrix @ x + self.offset

    def restrict(self, rows: NDArray[np.intp] | slice) -> Affine:
        """Only some of the rows."""
        if isinstance(self.matrix, Band):
            part: Matrix = Band(self.matrix.entries[rows], self.matrix.start[rows], self.matrix.columns)
        else:
            part = self.matrix[rows]
        return Affine(part, self.offset[rows])

    def scaled(self, factor: float | Array) -> Affine:
        """Each row times a factor: scalar or (m,)."""
        rows = np.broadcast_to(np.asarray(factor, float), self.offset.shape)
        if isinstance(self.matrix, Band):
            inner = self.matrix
            if np.ndim(factor) == 0 and inner.stencil is not None:
                entries = np.broadcast_to(inner.stencil * factor, inner.entries.shape)
            else:
                entries = inner.entries * rows[:, None]
            matrix: Matrix = Band(entries, inner.start, inner.columns)
        else:
            matrix = self.matrix * rows[:, None]
        return Affine(matrix, self.offset * rows)

    def differences(self, order: int) -> Affine:
        """The differences of `order` of the rows, in which consecutive rows are consecutive frames."""
        stencil = difference(order, self.rows)
        if not isinstance(self.matrix, Band):
            return Affine(np.diff(self.matrix, order, axis=0), stencil @ self.offset)
        inner, rows = self.matrix, stencil.shape[0]
        row = inner.stencil
        if rows and row is not None and inner.first is not None:
            repeated = np.convolve(stencil.entries[0], row)
            entries = np.broadcast_to(repeated, (rows, len(repeated)))
            return Affine(Band(entries, inner.start[:rows], inner.columns), stencil @ self.offset)
        first = inner.start[:rows]
        width = int((inner.start[order : order + rows] - first).max(initial=0)) + inner.width
        width = min(width, inner.columns)
        # Near the last column a row has no room for the common width: it begins earlier, padded by zeros.
        start = np.minimum(first, inner.columns - width)
        entries = np.zeros((rows, width))
        at = np.arange(rows)
        for j in range(order + 1):
            shift = inner.start[j : j + rows] - start
            for k in range(inner.width):
                entries[at, shift + k] += stencil.entries[:, j] * inner.entries[j : j + rows, k]
        return Affine(Band(entries, start, inner.columns), stencil @ self.offset)


def plus(a: Affine, b: Affine) -> Affine:
    """The map x -> a(x) + b(x), a band where both are."""
    if not (isinstance(a.matrix, Band) and isinstance(b.matrix, Band)):
        return Affine(dense(a.matrix) + dense(b.matrix), a.offset + b.offset)
    start = np.minimum(a.matrix.start, b.matrix.start)
    ends = [int((part.start - start).max(initial=0)) + part.width for part in (a.matrix, b.matrix)]
    width = min(max(ends), a.size)
    start = np.minimum(start, a.size - width)
    entries, at = np.zeros((len(start), width)), np.arange(len(start))
    for part in (a.matrix, b.matrix):
        for j in range(part.width):
            entries[at, part.start - start + j] += part.entries[:, j]
    return Affine(Band(entries, start, a.size), a.offset + b.offset)


def stack(parts: list[Affine]) -> Affine:
    """Rows of all parts, one below the other. Dense unless each part is a band and their starts never
    fall."""
    if len(parts) == 1:
        return parts[0]
    return Affine(
        np.vstack([dense(part.matrix) for part in parts]), np.concatenate([part.offset for part in parts])
    )
