"""Shape of one group of cells: one fitted axis, and the best split into two parallel files."""

from typing import Final

import numba
import numpy as np

SHAPE: Final = (
    "angle_rad",
    "elongation",
    "length",
    "width",
    "one",
    "two",
    "separation",
    "smaller_share",
    "shorter",
    "uneven",
)
"""Columns that `all_groups` fills; `engine.cells.features.GroupFeatures` says what they are."""

_TURNS_DEG = (0.0, -15.0, 15.0, -30.0, 30.0)
"""Turns of the principal axis that a split into two files is tried from."""

_MOST_SPLITS = 40
"""Splits tried per axis: more add nothing in a group that large."""

_CURVED_FROM = 6
"""From this many cells on an axis may bend."""


@numba.njit(cache=True, nogil=True)
def _eliminate(a, b, k, size):  # type: ignore[no-untyped-def]
    """One step of Gaussian elimination with pivoting, in place."""
    p = k + np.argmax(np.abs(a[k:size, k]))
    if abs(a[p, k]) < 1e-12:
        return
    for j in range(size):
        a[k, j], a[p, j] = a[p, j], a[k, j]
    b[k], b[p] = b[p], b[k]
    for i in range(k + 1, size):
        f = a[i, k] / a[k, k]
        for j in range(k, size):
            a[i, j] -= f * a[k, j]
        b[i] -= f * b[k]


@numba.njit(cache=True, nogil=True)
def _solve(a, b, size):  # type: ignore[no-untyped-def]
    """Solve a small system in place; unknowns that nothing determines become zero."""
    for k in range(size):
        _eliminate(a, b, k, size)
    for k in range(size - 1, -1, -1):
        for j in range(k + 1, size):
            b[k] -= a[k, j] * b[j]
        b[k] = b[k] / a[k, k] if abs(a[k, k]) >= 1e-12 else 0.0


@numba.njit(cache=True, nogil=True)
def _parallel_fit(t, u, second, curved, residual):  # type: ignore[no-untyped-def]
    """Least squares of u = c + d [second] + b t (+ q t^2); gives mean square, d, b."""
    size = 4 if curved else 3
    a = np.zeros((4, 4))
    b = np.zeros(4)
    row = np.zeros(4)
    for i in range(t.size):
        row[0] = 1.0
        row[1] = 1.0 if second[i] else 0.0
        row[2] = t[i]
        row[3] = t[i] * t[i]
        for j in range(size):
            b[j] += row[j] * u[i]
            for k in range(size):
                a[j, k] += row[j] * row[k]
    _solve(a, b, size)
    square = 0.0
    for i in range(t.size):
        fit = b[0] + b[2] * t[i] + (b[3] * t[i] * t[i] if curved else 0.0)
        residual[i] = u[i] - fit
        square += (residual[i] - (b[1] if second[i] else 0.0)) ** 2
    return square / t.size, b[1], b[2]


@numba.njit(cache=True, nogil=True)
def _settle(t, u, second, curved, residual):  # type: ignore[no-untyped-def]
    """Fit two parallel axes, hand each cell to the nearer one, until none moves."""
    n = t.size
    square, apart, slope = _parallel_fit(t, u, second, curved, residual)
    for _ in range(6):
        moved = False
        for i in range(n):
            nearer = abs(residual[i] - apart) < abs(residual[i])
            if nearer != second[i]:
                second[i] = nearer
                moved = True
        if not moved:
            break
        square, apart, slope = _parallel_fit(t, u, second, curved, residual)
    return square, apart, slope


@numba.njit(cache=True, nogil=True)
def _steps(t, second, which):  # type: ignore[no-untyped-def]
    """Length of one of two files, and the number and summed squared departure of its steps."""
    along = np.sort(t[second == which])
    square = 0.0
    for i in range(1, along.size):
        square += (along[i] - along[i - 1] - 1.0) ** 2
    return along[-1] - along[0], along.size - 1, square


@numba.njit(cache=True, nogil=True)
def _walk(t, second):  # type: ignore[no-untyped-def]
    """Length of the shorter of two files, and the RMS departure of all steps from one."""
    first_length, first_steps, first_square = _steps(t, second, False)
    second_length, second_steps, second_square = _steps(t, second, True)
    steps = first_steps + second_steps
    uneven = np.sqrt((first_square + second_square) / steps) if steps > 0 else np.inf
    return min(first_length, second_length), uneven


@numba.njit(cache=True, nogil=True)
def _two_files(x, y, angle, curved):  # type: ignore[no-untyped-def]
    """Best split into two parallel files: RMS, separation, smaller share, shorter, uneven."""
    n = x.size
    best, best_apart, best_share, shorter, uneven = np.inf, 0.0, 0.0, 0.0, np.inf
    if n < 4:
        return best, best_apart, best_share, shorter, uneven
    residual = np.empty(n)
    second = np.zeros(n, dtype=np.bool_)
    for turn in _TURNS_DEG:
        a = angle + np.deg2rad(turn)
        t = x * np.cos(a) + y * np.sin(a)
        u = y * np.cos(a) - x * np.sin(a)
        second[:] = False
        _parallel_fit(t, u, second, curved, residual)
        order = np.argsort(residual)
        step = max(1, n // _MOST_SPLITS)
        for k in range(max(1, n // 4), n - max(1, n // 4) + 1, step):
            second[:] = False
            for i in order[k:]:
                second[i] = True
            square, apart, slope = _settle(t, u, second, curved, residual)
            count = np.sum(second)
            share = min(count, n - count) / n
            # a separation is measured across the files, not along u
            tilt = 1.0 / np.sqrt(1.0 + slope * slope)
            rms = np.sqrt(square) * tilt
            if share > 0 and rms < best:
                best, best_apart, best_share = rms, abs(apart) * tilt, share
                shorter, uneven = _walk((t + slope * u) * tilt, second)
    return best, best_apart, best_share, shorter, uneven


@numba.njit(cache=True, nogil=True)
def _one_group(x, y, out):  # type: ignore[no-untyped-def]
    """Shape of one group's positions (in spacings, about their mean), see `SHAPE`."""
    n = x.size
    sxx, syy, sxy = np.mean(x * x), np.mean(y * y), np.mean(x * y)
    angle = 0.5 * np.arctan2(2 * sxy, sxx - syy)
    root = np.sqrt(0.25 * (sxx - syy) ** 2 + sxy**2)
    mean = 0.5 * (sxx + syy)
    t = x * np.cos(angle) + y * np.sin(angle)
    u = y * np.cos(angle) - x * np.sin(angle)
    curved = n >= _CURVED_FROM
    residual = np.empty(n)
    nobody = np.zeros(n, dtype=np.bool_)
    one = np.sqrt(_parallel_fit(t, u, nobody, curved, residual)[0])
    two, apart, share, shorter, uneven = _two_files(x, y, angle, curved)
    out[0] = angle
    out[1] = np.sqrt((mean + root) / max(mean - root, 1e-12 * (mean + root) + 1e-300))
    out[2] = t.max() - t.min()
    out[3] = u.max() - u.min()
    out[4] = one
    out[5] = two
    out[6] = apart
    out[7] = share
    out[8] = shorter
    out[9] = uneven


@numba.njit(cache=True, nogil=True)
def all_groups(x, y, start, out):  # type: ignore[no-untyped-def]
    """Shapes of groups whose cells lie one after another, ``start`` to the next, into ``out``."""
    for g in range(start.size - 1):
        _one_group(x[start[g] : start[g + 1]], y[start[g] : start[g + 1]], out[g])
