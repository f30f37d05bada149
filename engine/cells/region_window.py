"""The polygon that points are observed in, and how much of a circle it holds."""

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import shapely
from numpy.typing import NDArray

_TRIES_MAX = 10_000


@dataclass(frozen=True)
class RegionWindow:
    """A window.

    Attributes
    ----------
    shape
        The polygon, or several.
    edges
        (m, 4) border as x0, y0, x1, y1.
    area, perimeter
        In the squared and the plain unit of the coordinates.
    """

    shape: Any
    edges: NDArray[np.float64]
    area: float
    perimeter: float

    def holds(self, xy: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which of (n, 2) points lie in the window or on its border."""
        return np.asarray(shapely.intersects_xy(self.shape, xy[:, 0], xy[:, 1]), dtype=np.bool_)

    def border_distance(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the distance of (n, 2) points to the border."""
        return np.asarray(shapely.distance(self.shape.boundary, shapely.points(xy)))

    def circle_share(
        self, xy: NDArray[np.float64], radius: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Give the share of circles' circumference, centres (n, 2), radii (n,), in the window."""
        out = np.empty(len(xy))
        _circle_share(np.ascontiguousarray(xy), radius, self.edges, out)
        return out

    def overlap(self, shift: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the area shared by the window and its copies moved by (n, 2) shifts."""
        x0, y0, x1, y1 = self.shape.bounds
        if shapely.box(x0, y0, x1, y1).area <= self.area * (1 + 1e-12):
            room = np.maximum(np.array([x1 - x0, y1 - y0]) - np.abs(shift), 0)
            return np.asarray(room[:, 0] * room[:, 1])
        corners = shapely.get_coordinates(self.shape)
        every = np.tile(corners, (len(shift), 1)) + np.repeat(shift, len(corners), axis=0)
        copies = shapely.set_coordinates(np.repeat(np.array([self.shape]), len(shift)), every)
        return np.asarray(shapely.area(shapely.intersection(copies, self.shape)))

    def scatter(self, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Scatter points uniformly over the window, (count, 2)."""
        x0, y0, x1, y1 = self.shape.bounds
        out = np.empty((0, 2))
        for _ in range(_TRIES_MAX):
            if len(out) >= count:
                break
            more = rng.uniform((x0, y0), (x1, y1), (2 * count + 16, 2))
            out = np.vstack([out, more[self.holds(more)]])
        return out[:count]


def region_window(corners_um: NDArray[np.float64]) -> RegionWindow:
    """Window from the corners of a polygon.

    Parameters
    ----------
    corners_um
        (m, 2) corners, not closed. Where the line crosses itself, what it encircles an even number
        of times is outside.

    Raises
    ------
    ValueError
        If the polygon has no area or is not finite.
    """
    corners = np.asarray(corners_um, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1:] != (2,) or len(corners) < 3:
        raise ValueError(f"corners_um must be (m, 2) with m >= 3, got shape {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("corners_um must be finite")
    parts = shapely.get_parts(shapely.make_valid(shapely.Polygon(corners)))
    shape = shapely.union_all(parts[shapely.area(parts) > 0]) if len(parts) else None
    if shape is None or shape.area <= 0:
        raise ValueError("the polygon must have an area, got 0")
    lines = shapely.get_parts(shape.boundary)
    edges = [np.hstack([c[:-1], c[1:]]) for c in map(shapely.get_coordinates, lines)]
    return RegionWindow(shape, np.vstack(edges), float(shape.area), float(shape.length))


@numba.njit(cache=True, nogil=True)
def _encircled(x, y, edges):  # type: ignore[no-untyped-def]
    odd = False
    for k in range(edges.shape[0]):
        x0, y0, x1, y1 = edges[k]
        if (y0 > y) != (y1 > y) and x < (x1 - x0) * (y - y0) / (y1 - y0) + x0:
            odd = not odd
    return odd


@numba.njit(cache=True, nogil=True)
def _crossings(cx, cy, radius, edges, angles):  # type: ignore[no-untyped-def]
    """Angles at which a circle crosses the edges; returns how many."""
    found = 0
    for k in range(edges.shape[0]):
        px, py = edges[k, 0] - cx, edges[k, 1] - cy
        dx, dy = edges[k, 2] - edges[k, 0], edges[k, 3] - edges[k, 1]
        a = dx * dx + dy * dy
        b = px * dx + py * dy
        c = px * px + py * py - radius * radius
        root = b * b - a * c
        if root <= 0 or a == 0:
            continue
        for sign in (-1.0, 1.0):
            t = (-b + sign * np.sqrt(root)) / a
            # a corner belongs to both its edges: an arc of no length does no harm, a crossing
            # lost to rounding would
            if -1e-12 <= t <= 1 + 1e-12:
                angles[found] = np.arctan2(py + t * dy, px + t * dx)
                found += 1
    return found


@numba.njit(cache=True, nogil=True)
def _circle_share(xy, radius, edges, out):  # type: ignore[no-untyped-def]
    angles = np.empty(2 * edges.shape[0] + 1)
    for n in range(radius.size):
        cx, cy, r = xy[n, 0], xy[n, 1], radius[n]
        found = _crossings(cx, cy, r, edges, angles)
        if found == 0:
            # wholly in or out; at one angle the circle may touch the border, not at three
            votes = 0
            for angle in (0.3, 2.5, 4.4):
                votes += _encircled(cx + r * np.cos(angle), cy + r * np.sin(angle), edges)
            out[n] = 1.0 if votes >= 2 else 0.0
            continue
        held = np.sort(angles[:found])
        inside = 0.0
        for k in range(found):
            end = held[k + 1] if k + 1 < found else held[0] + 2 * np.pi
            middle = 0.5 * (held[k] + end)
            if _encircled(cx + r * np.cos(middle), cy + r * np.sin(middle), edges):
                inside += end - held[k]
        out[n] = inside / (2 * np.pi)
