"""Points within polygons, fast enough to follow a lasso."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from engine.across.intervals import FloatArray

BoolArray = npt.NDArray[np.bool_]


def _vertices(polygon: npt.ArrayLike) -> FloatArray:
    """Check that the polygon is finite (k, 2) vertices, or refuse it clearly."""
    array = np.asarray(polygon, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2 or array.shape[0] < 3:
        raise ValueError(f"polygon must have shape (k >= 3, 2), got {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError("polygon must be finite throughout")
    return array


def _inside_sorted(x: FloatArray, y: FloatArray, polygon: FloatArray) -> BoolArray:
    """Even-odd test of points already sorted by y."""
    inside = np.zeros(x.size, dtype=np.bool_)
    following = np.roll(polygon, -1, axis=0)
    # Half-open in y, so that a ray through a vertex is counted once.
    low = np.searchsorted(y, np.minimum(polygon[:, 1], following[:, 1]), side="left")
    high = np.searchsorted(y, np.maximum(polygon[:, 1], following[:, 1]), side="left")
    for edge in np.flatnonzero(high > low):
        part = slice(low[edge], high[edge])
        x0, y0 = polygon[edge]
        x1, y1 = following[edge]
        inside[part] ^= x[part] < x0 + (y[part] - y0) * ((x1 - x0) / (y1 - y0))
    return inside


def points_in_polygons(
    xy_um: npt.ArrayLike, polygons_um: Sequence[npt.ArrayLike]
) -> list[BoolArray]:
    """Which points lie in each of some polygons.

    Parameters
    ----------
    xy_um
        Points, shape (n, 2), any unit; points that are not finite lie in none.
    polygons_um
        Polygons of shape (k, 2) in the same unit, closed by themselves. Where a lasso crosses
        itself, what is encircled an even number of times counts as outside.

    Returns
    -------
    list of arrays
        One mask of shape (n,) a polygon. A point on an edge belongs to exactly one of two
        polygons that share the edge.

    Raises
    ------
    ValueError
        If shapes are wrong or a polygon is not finite.

    Notes
    -----
    Points are sorted by y once; each edge then touches only the run of points beside it, so that
    the cost is the number of points times the few edges at one height.

    Examples
    --------
    >>> points_in_polygons([[0.5, 0.5], [2.0, 0.5]], [[[0, 0], [1, 0], [1, 1], [0, 1]]])[0]
    array([ True, False])
    """
    points = np.asarray(xy_um, dtype=np.float64)
    if points.size == 0:
        points = points.reshape(0, 2)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"xy_um must have shape (n, 2), got {points.shape}")
    shapes = [_vertices(polygon) for polygon in polygons_um]
    masks = []
    for polygon in shapes:
        mask = np.zeros(points.shape[0], dtype=np.bool_)
        low, high = polygon.min(axis=0), polygon.max(axis=0)
        near = np.flatnonzero(
            (points[:, 1] >= low[1])
            & (points[:, 1] <= high[1])
            & (points[:, 0] >= low[0])
            & (points[:, 0] <= high[0])
        )
        order = near[np.argsort(points[near, 1])]
        mask[order] = _inside_sorted(points[order, 0], points[order, 1], polygon)
        masks.append(mask)
    return masks


def points_in_polygon(xy_um: npt.ArrayLike, polygon_um: npt.ArrayLike) -> BoolArray:
    """Which points lie in one polygon; see `points_in_polygons`.

    Parameters
    ----------
    xy_um
        Points, shape (n, 2).
    polygon_um
        Vertices, shape (k, 2), closed by itself.

    Returns
    -------
    array
        Mask of shape (n,).

    Raises
    ------
    ValueError
        If shapes are wrong or the polygon is not finite.
    """
    return points_in_polygons(xy_um, [polygon_um])[0]


def polygon_area_mm2(polygon_um: npt.ArrayLike) -> float:
    """Area of a simple polygon given in micrometres, in square millimetres.

    Parameters
    ----------
    polygon_um
        Vertices, shape (k, 2). For one that crosses itself the parts run the other way round
        count negative, and the size of the sum is given.

    Raises
    ------
    ValueError
        If the shape is wrong or the polygon is not finite.

    Examples
    --------
    >>> polygon_area_mm2([[0, 0], [1000, 0], [1000, 1000], [0, 1000]])
    1.0
    """
    vertices = _vertices(polygon_um)
    shifted = vertices - vertices[0]
    following = np.roll(shifted, -1, axis=0)
    cross = shifted[:, 0] * following[:, 1] - shifted[:, 1] * following[:, 0]
    return abs(float(cross.sum())) / 2.0 * 1e-6
