"""Compiled: small symmetric systems."""

import numpy as np

from ._compiled import Floats, plain


@plain
def copy_to(target: Floats, source: Floats) -> None:
    """Copy element by element: assigning slices makes numba compile its texts of errors."""
    for i in range(target.size):
        target[i] = source[i]


@plain
def _cholesky(matrix: Floats, damping: float, low: Floats) -> bool:
    for i in range(matrix.shape[0]):
        for j in range(i + 1):
            s = matrix[i, j] * (1.0 + damping if i == j else 1.0)
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i > j:
                low[i, j] = s / low[j, j]
            elif s > 1e-14 * matrix[i, i]:
                low[i, i] = np.sqrt(s)
            else:
                return False
    return True


@plain
def _invert_lower(low: Floats, inverse: Floats) -> None:
    m = low.shape[0]
    for j in range(m):
        for i in range(j, m):
            s = 1.0 if i == j else 0.0
            for k in range(j, i):
                s -= low[i, k] * inverse[k, j]
            inverse[i, j] = s / low[i, i]


@plain
def invert_normal(matrix: Floats, damping: float, inverse: Floats, low: Floats) -> bool:
    """Invert a symmetric positive matrix (lower triangle) with its diagonal raised by a share.

    ``low`` is scratch of the same shape.

    Returns
    -------
    bool
        False if the matrix is not positive to working precision.
    """
    m = matrix.shape[0]
    if not _cholesky(matrix, damping, low):
        return False
    _invert_lower(low, inverse)
    for i in range(m):
        for j in range(i + 1):
            s = 0.0
            for k in range(i, m):
                s += inverse[k, i] * inverse[k, j]
            low[i, j] = s
    for i in range(m):
        for j in range(i + 1):
            inverse[i, j] = low[i, j]
            inverse[j, i] = low[i, j]
    return True
