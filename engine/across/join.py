"""Joining scales by position: which bead map lies beside which nanometre image."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from engine.across.intervals import FloatArray

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class NearestJoin:
    """For each point the nearest of some others.

    Attributes
    ----------
    index
        Index into the others, shape (n,); -1 where none lies within the distance allowed.
    distance_um
        Distance to it, shape (n,); to the nearest of all where it is too far; NaN without others.
    """

    index: IntArray
    distance_um: FloatArray


def _positions(xy_um: npt.ArrayLike, name: str) -> FloatArray:
    """Positions as (n, 2), or a clear refusal."""
    array = np.asarray(xy_um, dtype=np.float64)
    if array.size == 0:
        return np.empty((0, 2))
    if array.ndim != 2 or array.shape[1] != 2:
        raise ValueError(f"{name} must have shape (n, 2), got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite, got {int((~np.isfinite(array)).sum())} others")
    return array


def nearest_join(
    from_xy_um: npt.ArrayLike, to_xy_um: npt.ArrayLike, max_distance_um: float = 100.0
) -> NearestJoin:
    """Nearest of some positions to each of others, with the distance.

    Parameters
    ----------
    from_xy_um
        Positions that look for a partner, disc frame, micrometres, shape (n, 2).
    to_xy_um
        Positions that may be one, same frame, shape (m, 2).
    max_distance_um
        Farthest a partner may lie.

    Returns
    -------
    NearestJoin
        One partner each; several may share one.

    Raises
    ------
    ValueError
        If positions are not (n, 2) and finite, or the distance is not positive.

    Examples
    --------
    >>> nearest_join([[0.0, 0.0]], [[3.0, 4.0], [30.0, 40.0]]).distance_um
    array([5.])
    """
    if not max_distance_um > 0:
        raise ValueError(f"max_distance_um must be > 0, got {max_distance_um!r}")
    start, goal = _positions(from_xy_um, "from_xy_um"), _positions(to_xy_um, "to_xy_um")
    if start.shape[0] == 0 or goal.shape[0] == 0:
        n = start.shape[0]
        return NearestJoin(np.full(n, -1, dtype=np.int64), np.full(n, np.nan))
    distance, index = cKDTree(goal).query(start)
    found = np.where(distance <= max_distance_um, index, -1).astype(np.int64)
    return NearestJoin(found, np.asarray(distance, dtype=np.float64))


def within_window(
    centres_um: npt.ArrayLike, xy_um: npt.ArrayLike, window_um: float = 100.0
) -> list[IntArray]:
    """Which positions lie in the square window round each centre.

    Parameters
    ----------
    centres_um
        Centres of the windows, disc frame, micrometres, shape (n, 2).
    xy_um
        Positions, shape (m, 2).
    window_um
        Side of the window, along the disc's axes.

    Returns
    -------
    list of arrays
        For each centre the ascending indices of the positions inside, edges included.

    Raises
    ------
    ValueError
        If positions are not (n, 2) and finite, or the window is not positive.
    """
    if not window_um > 0:
        raise ValueError(f"window_um must be > 0, got {window_um!r}")
    centres, points = _positions(centres_um, "centres_um"), _positions(xy_um, "xy_um")
    if points.shape[0] == 0 or centres.shape[0] == 0:
        return [np.empty(0, dtype=np.int64) for _ in range(centres.shape[0])]
    found = cKDTree(points).query_ball_point(centres, window_um / 2.0, p=np.inf, return_sorted=True)
    return [np.asarray(row, dtype=np.int64) for row in found]
