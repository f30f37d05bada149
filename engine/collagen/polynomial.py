"""Least-squares polynomial surfaces, a block of rows at a time so that memory stays small."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_ROWS_AT_ONCE = 256


def _axes(shape: tuple[int, ...]) -> tuple[Array, Array]:
    rows, cols = shape
    v = np.linspace(-1.0, 1.0, rows) if rows > 1 else np.zeros(1)
    u = np.linspace(-1.0, 1.0, cols) if cols > 1 else np.zeros(1)
    return v, u


def _powers(shape: tuple[int, ...], degree: int) -> list[tuple[int, int]]:
    rows, cols = shape
    return [
        (i, j)
        for i in range(degree + 1)
        for j in range(degree + 1 - i)
        if (i == 0 or cols > i) and (j == 0 or rows > j)
    ]


def subtract_polynomial(height_nm: Array, degree: int) -> Array:
    """Subtract the least-squares polynomial surface of a total degree.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    degree
        1 for a plane, 2 for a quadratic.

    Returns
    -------
    numpy.ndarray
        Residual heights, same shape.
    """
    blocks = [slice(k, k + _ROWS_AT_ONCE) for k in range(0, len(height_nm), _ROWS_AT_ONCE)]
    sums = np.array([_sum_and_count(height_nm[block]) for block in blocks]).sum(axis=0)
    if sums[1] == 0:
        return height_nm.copy()
    offset = sums[0] / sums[1]
    v, u = _axes(height_nm.shape)
    powers = _powers(height_nm.shape, degree)
    count = len(powers)
    gram, right = np.zeros((count, count)), np.zeros(count)
    # Normal equations on [-1, 1]: well conditioned, and no (pixels x terms) matrix in memory.
    # Terms separate into rows and columns, so that sums run along the rows first.
    along = np.stack([u**i for i in range(2 * degree + 1)])
    for block in blocks:
        finite = np.isfinite(height_nm[block])
        masked = np.where(finite, height_nm[block] - offset, 0.0) @ along[: degree + 1].T
        weight = finite.astype(np.float64) @ along.T
        for p, (i, j) in enumerate(powers):
            right[p] += v[block] ** j @ masked[:, i]
            for q, (k, m) in enumerate(powers):
                gram[p, q] += v[block] ** (j + m) @ weight[:, i + k]
    solved, *_ = np.linalg.lstsq(gram, right, rcond=None)
    out = height_nm - offset
    for block in blocks:
        down = np.zeros((len(v[block]), degree + 1))
        for w, (i, j) in zip(solved, powers, strict=True):
            down[:, i] += w * v[block] ** j
        out[block] -= down @ along[: degree + 1]
    return out


def _sum_and_count(block: Array) -> tuple[float, int]:
    finite = np.isfinite(block)
    return float(np.where(finite, block, 0.0).sum()), int(np.count_nonzero(finite))
