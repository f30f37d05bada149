"""The axis or axes of one group of cells, to be drawn: what its rule measured distances from."""

import numpy as np
from numpy.typing import NDArray

from engine.cells.graph import checked_positions
from engine.cells.patterns import DIFFUSE, DOUBLE_STRING, STRING

Floats = NDArray[np.float64]

_CURVED_FROM = 6
_TURNS_DEG = (0.0, -15.0, 15.0, -30.0, 30.0)
_POINTS = 24


def group_axes(xy_um: Floats, pattern: int) -> tuple[Floats, ...]:
    """Lines through a group's cells.

    Parameters
    ----------
    xy_um
        (n, 2) cells of the group, disc frame, um.
    pattern
        Index of its pattern.

    Returns
    -------
    tuple of ndarray
        Polylines, (points, 2) each: of a string its fitted axis (which may bend from six cells
        on), of a double string its two parallel axes, of a cluster its extent along and across its
        principal axis; none of diffuse cells.
    """
    xy = checked_positions(xy_um)
    if pattern == DIFFUSE or len(xy) < 2:
        return ()
    centre = xy.mean(axis=0)
    angle = _principal(xy - centre)
    if pattern == STRING:
        return (_drawn(_along(xy - centre, angle), _one(xy - centre, angle), angle) + centre,)
    if pattern == DOUBLE_STRING and len(xy) >= 4:
        return tuple(line + centre for line in _two(xy - centre, angle))
    t, u = _along(xy - centre, angle).T
    ends = np.array([[t.min(), 0.0], [t.max(), 0.0]]), np.array([[0.0, u.min()], [0.0, u.max()]])
    return tuple(_back(line, angle) + centre for line in ends)


def _principal(xy: Floats) -> float:
    sxx, syy, sxy = np.mean(xy[:, 0] ** 2), np.mean(xy[:, 1] ** 2), np.mean(xy[:, 0] * xy[:, 1])
    return float(0.5 * np.arctan2(2 * sxy, sxx - syy))


def _along(xy: Floats, angle: float) -> Floats:
    """Turn positions so that the first coordinate runs along a direction."""
    c, s = np.cos(angle), np.sin(angle)
    return xy @ np.array([[c, -s], [s, c]])


def _back(tu: Floats, angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return tu @ np.array([[c, s], [-s, c]])


def _powers(t: Floats, cells: int) -> Floats:
    return np.vander(t, 3 if cells >= _CURVED_FROM else 2, increasing=True)


def _one(xy: Floats, angle: float) -> Floats:
    """Coefficients of the least-squares axis u(t)."""
    t, u = _along(xy, angle).T
    return np.asarray(np.linalg.lstsq(_powers(t, len(xy)), u, rcond=None)[0])


def _drawn(tu: Floats, coefficients: Floats, angle: float) -> Floats:
    t = np.linspace(tu[:, 0].min(), tu[:, 0].max(), _POINTS)
    return _back(np.column_stack([t, np.polynomial.polynomial.polyval(t, coefficients)]), angle)


def _two(xy: Floats, angle: float) -> tuple[Floats, ...]:
    """Find the two parallel axes of the best split."""
    best, found = np.inf, tuple[Floats, ...]()
    for turn in _TURNS_DEG:
        way = angle + np.radians(turn)
        tu = _along(xy, way)
        order = np.argsort(tu[:, 1] - _powers(tu[:, 0], len(xy)) @ _one(xy, way))
        for k in range(max(1, len(xy) // 4), len(xy) - max(1, len(xy) // 4) + 1):
            second = np.zeros(len(xy), dtype=bool)
            second[order[k:]] = True
            second, fit, rms = _settled(tu, second)
            if rms < best and 0 < second.sum() < len(xy):
                best, found = rms, _pair(tu, second, fit, way)
    return found


def _settled(tu: Floats, second: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Floats, float]:
    """Fit both axes and hand each cell to the nearer one until none moves."""
    for _ in range(7):
        design = np.column_stack([_powers(tu[:, 0], len(tu)), second])
        fit = np.linalg.lstsq(design, tu[:, 1], rcond=None)[0]
        left = tu[:, 1] - design[:, :-1] @ fit[:-1]
        rms = float(np.sqrt(np.mean((left - second * fit[-1]) ** 2) / (1 + fit[1] ** 2)))
        nearer = np.abs(left - fit[-1]) < np.abs(left)
        if (nearer == second).all():
            break
        second = nearer
    return second, np.asarray(fit, np.float64), rms


def _pair(tu: Floats, second: NDArray[np.bool_], fit: Floats, angle: float) -> tuple[Floats, ...]:
    shift = np.zeros_like(fit[:-1])
    shift[0] = fit[-1]
    return (
        _drawn(tu[~second], fit[:-1], angle),
        _drawn(tu[second], fit[:-1] + shift, angle),
    )
