"""Walking along paths: order, arc length, smoothing, slope."""

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_STEP_V = np.array([-1, 0, 0, 1, -1, -1, 1, 1])  # straight neighbours first: no corner is cut
_STEP_U = np.array([0, -1, 1, 0, -1, 1, -1, 1])


@numba.njit(cache=True)
def _next(left, v0, u0):  # type: ignore[no-untyped-def]
    """First neighbour still there (or -1) and how many there are."""
    first, near = -1, 0
    for k in range(8):
        v, u = v0 + _STEP_V[k], u0 + _STEP_U[k]
        if 0 <= v < left.shape[0] and 0 <= u < left.shape[1] and left[v, u]:
            near += 1
            first = k if first < 0 else first
    return first, near


@numba.njit(cache=True)
def _walk_from(left, v, u, order, points):  # type: ignore[no-untyped-def]
    """Take pixels off, one after the other, until there is none beside the last."""
    going = True
    while going:
        left[v, u] = False
        order[points, 0] = v
        order[points, 1] = u
        points += 1
        k, near = _next(left, v, u)
        going = near > 0
        v, u = v + _STEP_V[k], u + _STEP_U[k]
    return points


@numba.njit(cache=True)
def _walk(left, order, start):  # type: ignore[no-untyped-def]
    """Open pieces from their ends first, then closed ones; returns pixels and pieces written."""
    points, pieces = 0, 0
    for most in (1, 8):
        for v in range(left.shape[0]):
            for u in range(left.shape[1]):
                if left[v, u] and _next(left, v, u)[1] <= most:
                    start[pieces] = points
                    pieces += 1
                    points = _walk_from(left, v, u, order, points)
    start[pieces] = points
    return points, pieces


def order_pieces(mask: Mask) -> tuple[Index, Index]:
    """Order the pixels of each thin piece from one end to the other.

    Parameters
    ----------
    mask
        Skeleton without its junctions, shape (rows, cols).

    Returns
    -------
    tuple of numpy.ndarray
        Pixels (row, column) in order, shape (n, 2), and the first pixel of each piece with n at
        the end, shape (pieces + 1,).
    """
    total = int(np.count_nonzero(mask))
    order = np.zeros((total, 2), np.int64)
    start = np.zeros(total + 1, np.int64)
    points, pieces = _walk(mask.copy(), order, start)
    return order[:points], start[: pieces + 1]


def smooth_along(values: Array, arc_nm: Array, start: Index, sigma_nm: float) -> Array:
    """Gaussian smooth along each piece, mirrored as a point at its ends (slope is kept).

    Parameters
    ----------
    values
        One value a path point, shape (points,).
    arc_nm
        Distance along the piece, shape (points,).
    start
        First point of each piece and the number of points, shape (pieces + 1,).
    sigma_nm
        Standard deviation.

    Returns
    -------
    numpy.ndarray
        Smoothed values, shape (points,).
    """
    out = np.empty_like(values)
    _smooth(values, arc_nm, start, sigma_nm, out)
    return out


@numba.njit(cache=True)
def _smooth(values, arc, start, sigma, out):  # type: ignore[no-untyped-def]
    for p in range(len(start) - 1):
        first, last = start[p], start[p + 1] - 1
        for i in range(first, last + 1):
            out[i] = _smooth_at(values, arc, first, last, i, sigma)


@numba.njit(cache=True)
def _smooth_at(values, arc, first, last, i, sigma):  # type: ignore[no-untyped-def]
    reach = min(3.0 * sigma, arc[last] - arc[first])
    total, weight = values[i], 1.0
    for way in (-1, 1):
        end = first if way < 0 else last
        j = i
        while j != end and abs(arc[j + way] - arc[i]) <= reach:
            j += way
            w = np.exp(-0.5 * ((arc[j] - arc[i]) / sigma) ** 2)
            total += w * values[j]
            weight += w
        j = end  # beyond the end the path goes on as its own image through that point
        other = last if way < 0 else first
        while j != other:
            j -= way
            away = abs(2.0 * arc[end] - arc[j] - arc[i])
            if away > reach:
                break
            w = np.exp(-0.5 * (away / sigma) ** 2)
            total += w * (2.0 * values[end] - values[j])
            weight += w
    return total / weight


def arc_length(u_nm: Array, v_nm: Array, start: Index) -> Array:
    """Distance along each piece.

    Parameters
    ----------
    u_nm, v_nm
        Path, shape (points,).
    start
        First point of each piece and the number of points, shape (pieces + 1,).

    Returns
    -------
    numpy.ndarray
        Distance from the first point of the same piece, shape (points,).
    """
    step = np.hypot(np.diff(u_nm, prepend=u_nm[:1]), np.diff(v_nm, prepend=v_nm[:1]))
    total = np.cumsum(step)
    first = np.repeat(start[:-1], np.diff(start))
    return total - total[first]


def gradient_along(values: Array, arc_nm: Array, start: Index) -> Array:
    """Differentiate along each piece: centrally, one-sided at its ends.

    Parameters
    ----------
    values
        One value a path point, shape (points,).
    arc_nm
        Distance along the piece, strictly rising within it, shape (points,).
    start
        First point of each piece and the number of points, shape (pieces + 1,).

    Returns
    -------
    numpy.ndarray
        Derivative per nanometre, shape (points,); zero in pieces of one point.
    """
    at = np.arange(len(values))
    first = np.repeat(start[:-1], np.diff(start))
    last = np.repeat(start[1:] - 1, np.diff(start))
    before, after = np.maximum(at - 1, first), np.minimum(at + 1, last)
    run = arc_nm[after] - arc_nm[before]
    return (values[after] - values[before]) / np.where(run > 0, run, 1.0)
