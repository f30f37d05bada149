"""Two pictures of one place: does one height map follow the other, where, and by how much."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.polynomial import subtract_polynomial

Array = NDArray[np.float64]

_FEWEST = 9
_SEARCHED = 4096
"""Points that the coarse search looks at."""
_STEPS = 8


@dataclass(frozen=True)
class HeightMatch:
    """How a map of heights lies on a height image of the same site; NaN where it can't be told.

    Attributes
    ----------
    correlation
        Of the two, each about its own plane, at the best shift.
    scale
        Spread of the map over spread of the image there.
    shift_u_nm, shift_v_nm
        Where in the image the map's points are found, from where the folder says they are.
    residual_nm
        Root mean square of what remains between them, about a plane.
    drift_nm
        Range of the smooth part of that along v, the slow axis: a cubic in the row.
    points
        Points that both know.
    """

    correlation: float
    scale: float
    shift_u_nm: float
    shift_v_nm: float
    residual_nm: float
    drift_nm: float
    points: int


NO_MATCH = HeightMatch(*(float("nan"),) * 6, 0)


def match_heights(
    map_nm: Array, image_nm: Array, width_nm: float, height_nm: float, shift_points: float = 3.0
) -> HeightMatch:
    """Lay a map of heights on a height image.

    The map's points span the site edge to edge; the image's pixels tile it. A point is compared
    with the image interpolated there, as a tip touches in a point. The shift is searched by trying
    and refined by Gauss-Newton on the squared residual about a plane.

    Parameters
    ----------
    map_nm
        Heights of the map, NaN where there is none, shape (rows, cols).
    image_nm
        Heights of the image, NaN where there is no datum, any shape.
    width_nm, height_nm
        Size of the site along u and v.
    shift_points
        Shifts of up to so many of the map's own steps are searched, along u and v.

    Returns
    -------
    HeightMatch
    """
    rows, cols = map_nm.shape
    if min(rows, cols) < 3 or min(image_nm.shape) < 3:
        return NO_MATCH
    view = _View(map_nm, image_nm, width_nm, height_nm)
    if view.known.sum() < _FEWEST:
        return NO_MATCH
    step = np.array([width_nm / (cols - 1), height_nm / (rows - 1)])
    shift = _search(view, step, shift_points)
    shift = _refine(view, shift, step, shift_points)
    return _judge(view, shift)


class _View:
    """The map's points and the image interpolated there."""

    def __init__(self, map_nm: Array, image_nm: Array, width_nm: float, height_nm: float) -> None:
        self.map_nm = map_nm
        self.known = np.isfinite(map_nm)
        missing = ~np.isfinite(image_nm)
        near = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
        self._image = image_nm[tuple(near)] if missing.any() and not missing.all() else image_nm
        self._there = (~missing).astype(np.float64) if missing.any() else None
        self._pixel = np.array([width_nm / image_nm.shape[1], height_nm / image_nm.shape[0]])
        u = np.linspace(-0.5, image_nm.shape[1] - 0.5, map_nm.shape[1])
        v = np.linspace(-0.5, image_nm.shape[0] - 0.5, map_nm.shape[0])
        self._v, self._u = np.meshgrid(v, u, indexing="ij")

    def at(self, shift_nm: Array, every: int = 1) -> Array:
        """Image at the map's points moved by (u, v), NaN outside or where it knows nothing."""
        part = (slice(None, None, every), slice(None, None, every))
        du, dv = shift_nm / self._pixel
        where = np.array([self._v[part] + dv, self._u[part] + du])
        rows, cols = self._image.shape
        out = ndimage.map_coordinates(self._image, where, order=1, mode="nearest")
        inside = (where[0] > -1) & (where[0] < rows) & (where[1] > -1) & (where[1] < cols)
        if self._there is not None:
            inside &= ndimage.map_coordinates(self._there, where, order=1, mode="nearest") > 0.99
        return np.where(inside, out, np.nan)

    def pair(self, shift_nm: Array, every: int = 1) -> tuple[Array, Array]:
        """Map and image about their planes over the points that both know, NaN elsewhere."""
        a = self.map_nm[::every, ::every]
        b = self.at(shift_nm, every)
        both = np.isfinite(a) & np.isfinite(b)
        return (
            subtract_polynomial(np.where(both, a, np.nan), 1),
            subtract_polynomial(np.where(both, b, np.nan), 1),
        )


def _correlation(a: Array, b: Array) -> float:
    known = np.isfinite(a) & np.isfinite(b)
    spread = float(np.sqrt(np.sum(a[known] ** 2) * np.sum(b[known] ** 2)))
    if known.sum() < _FEWEST or not spread > 0:
        return float("nan")
    return float(np.sum(a[known] * b[known]) / spread)


def _search(view: _View, step: Array, reach: float) -> Array:
    every = max(1, int(np.ceil(np.sqrt(view.map_nm.size / _SEARCHED))))
    tried = np.arange(-reach, reach + 0.25, 0.5)
    best, found = -np.inf, np.zeros(2)
    for i in tried:
        for j in tried:
            shift = np.array([j, i]) * step
            value = _correlation(*view.pair(shift, every))
            if value > best:
                best, found = value, shift
    return found


def _refine(view: _View, shift: Array, step: Array, reach: float) -> Array:
    for _ in range(_STEPS):
        a, b = view.pair(shift)
        small = 0.25 * step
        slopes = []
        for axis in range(2):
            move = np.where(np.arange(2) == axis, small, 0.0)
            rise = view.at(shift + move) - view.at(shift - move)
            slopes.append(rise / (2 * small[axis]))
        known = np.isfinite(a) & np.isfinite(b) & np.isfinite(slopes[0]) & np.isfinite(slopes[1])
        if known.sum() < _FEWEST:
            break
        design = np.column_stack([s[known] for s in slopes] + [np.ones(int(known.sum()))])
        change, *_ = np.linalg.lstsq(design, (a - b)[known], rcond=None)
        change = np.clip(change[:2], -0.5 * step, 0.5 * step)
        shift = np.clip(shift + change, -(reach + 0.5) * step, (reach + 0.5) * step)
        if np.all(np.abs(change) < 1e-3 * step):
            break
    return shift


def _judge(view: _View, shift: Array) -> HeightMatch:
    a, b = view.pair(shift)
    known = np.isfinite(a) & np.isfinite(b)
    if known.sum() < _FEWEST or not np.any(b[known]):
        return NO_MATCH
    rest = np.where(known, a - b, np.nan)
    drift = slow_drift(rest, 3)
    return HeightMatch(
        correlation=_correlation(a, b),
        scale=float(np.std(a[known]) / np.std(b[known])),
        shift_u_nm=float(shift[0]),
        shift_v_nm=float(shift[1]),
        residual_nm=float(np.sqrt(np.mean(rest[known] ** 2))),
        drift_nm=float(np.ptp(drift)),
        points=int(known.sum()),
    )


def remainder(
    map_nm: Array, image_nm: Array, size_nm: tuple[float, float], match: HeightMatch
) -> float:
    """Root mean square of what remains between a map and an image where a match has laid it.

    Parameters
    ----------
    map_nm, image_nm
        As in :func:`match_heights`.
    size_nm
        Size of the site along u and v.
    match
        Where the map lies on the image.

    Returns
    -------
    float
        Nanometres, about a plane; NaN where there is no match or nothing that both know.
    """
    if match.points == 0:
        return float("nan")
    view = _View(map_nm, image_nm, *size_nm)
    a, b = view.pair(np.array([match.shift_u_nm, match.shift_v_nm]))
    rest = (a - b)[np.isfinite(a) & np.isfinite(b)]
    return float(np.sqrt(np.mean(rest**2))) if rest.size >= _FEWEST else float("nan")


def slow_drift(difference_nm: Array, degree: int) -> Array:
    """Smooth part of a difference along v, as a polynomial of the row, shape (rows,).

    Parameters
    ----------
    difference_nm
        What remains between map and image, NaN where unknown, shape (rows, cols).
    degree
        Of the polynomial; the mean is not part of it.

    Returns
    -------
    numpy.ndarray
        Offsets in nanometres with mean zero.
    """
    known = np.isfinite(difference_nm).any(axis=1)
    rows = np.linspace(-1.0, 1.0, len(difference_nm))
    if known.sum() <= degree + 1:
        return np.zeros(len(rows))
    # the median of a row is not drawn aside by a flank where the two pictures part
    middle = np.array([np.median(row[np.isfinite(row)]) for row in difference_nm[known]])
    fitted = np.polynomial.Polynomial.fit(rows[known], middle, degree, domain=[-1, 1])(rows)
    return np.asarray(fitted - fitted.mean())


def free_of_drift(
    map_nm: Array, image_nm: Array, size_nm: tuple[float, float], match: HeightMatch, degree: int
) -> Array:
    """Take out of a map what drifts against an image along the slow axis.

    Parameters
    ----------
    map_nm, image_nm
        As in :func:`match_heights`.
    size_nm
        Size of the site along u and v.
    match
        How the map lies on the image.
    degree
        Of the polynomial along v.

    Returns
    -------
    numpy.ndarray
        The map without it, shape of ``map_nm``; unchanged where there is no match.
    """
    if match.points == 0:
        return map_nm
    view = _View(map_nm, image_nm, *size_nm)
    a, b = view.pair(np.array([match.shift_u_nm, match.shift_v_nm]))
    return map_nm - slow_drift(a - b, degree)[:, None]
