"""Arrangement of each group of cells in numbers; lengths in units of the regional spacing."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.cells.graph import NeighbourGraph
from engine.cells.settings import GraphSettings

_TURNS_DEG = (0.0, -15.0, 15.0, -30.0, 30.0)
"""Turns of the principal axis that a split into two files is tried from."""

_MOST_SPLITS = 40
"""Splits tried per axis: more add nothing in a group that large."""

_CURVED_FROM = 6
"""From this many cells on an axis may bend."""


@dataclass(frozen=True)
class GroupFeatures:
    """Features of groups, each (g,).

    Attributes
    ----------
    cells
        Number of cells.
    x_um, y_um
        Centroid, disc frame.
    angle_rad
        Principal axis, radians from +x towards +y (the disc frame's y is down).
    spacing_um
        Unit of the lengths: median of the cells' regional spacing.
    elongation
        Ratio of the standard deviations along and across the principal axis.
    length, width
        Extent along and across the principal axis, in spacings.
    one
        RMS distance across from one fitted axis (a parabola from six cells on), in spacings.
    two
        RMS distance across from the best two parallel axes, in spacings; infinite below four cells.
    separation
        Distance of those two axes, in spacings.
    smaller_share
        Share of the cells in the smaller of the two files.
    shorter
        Length of the shorter of the two files, in spacings.
    uneven
        RMS departure of the steps along the two files from one spacing, in spacings; infinite where
        no file has two cells.
    isolation
        Median over the outer cells of the shortest Delaunay edge out of the group, over the median
        edge within. For the only group: infinite, or 0 if it is larger than a region, because then
        nothing shows that it is more than a field of cells.
    region_isolation
        The same pooled over the cells round the group: one group of few cells says little.
        Infinite where nothing lies outside any group.
    density
        Cells per squared spacing round the group.
    grain
        Median edge within the group over the spacing of the disc's tight regions.
    gap
        Shortest Delaunay edge out of the group over the length at which edges are cut.
    """

    cells: NDArray[np.int64]
    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    angle_rad: NDArray[np.float64]
    spacing_um: NDArray[np.float64]
    elongation: NDArray[np.float64]
    length: NDArray[np.float64]
    width: NDArray[np.float64]
    one: NDArray[np.float64]
    two: NDArray[np.float64]
    separation: NDArray[np.float64]
    smaller_share: NDArray[np.float64]
    shorter: NDArray[np.float64]
    uneven: NDArray[np.float64]
    isolation: NDArray[np.float64]
    region_isolation: NDArray[np.float64]
    density: NDArray[np.float64]
    grain: NDArray[np.float64]
    gap: NDArray[np.float64]


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
    """Shape features of one group's positions (in spacings, about their mean)."""
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
def _all_groups(x, y, start, out):  # type: ignore[no-untyped-def]
    for g in range(start.size - 1):
        _one_group(x[start[g] : start[g + 1]], y[start[g] : start[g + 1]], out[g])


def _median_by(
    label: NDArray[np.int64], value: NDArray[np.float64], groups: int, empty: float
) -> NDArray[np.float64]:
    """Median of values by label, (groups,); ``empty`` for labels without values."""
    order = np.lexsort((value, label))
    held = np.bincount(label, minlength=groups)
    start = np.cumsum(held) - held
    ordered = np.append(value[order], 0.0)
    low = ordered[np.minimum(start + np.maximum(held - 1, 0) // 2, value.size)]
    high = ordered[np.minimum(start + held // 2, value.size)]
    return np.where(held > 0, 0.5 * (low + high), empty)


def _shortest_out(xy: NDArray[np.float64], graph: NeighbourGraph) -> NDArray[np.float64]:
    """Shortest Delaunay edge of each cell to a cell of another group; infinite where none."""
    out = np.full(len(xy), np.inf)
    a, b = graph.delaunay.T
    crossing = graph.group[a] != graph.group[b]
    a, b = a[crossing], b[crossing]
    length = np.linalg.norm(xy[a] - xy[b], axis=1)
    np.minimum.at(out, a, length)
    np.minimum.at(out, b, length)
    return out


def _isolation(
    graph: NeighbourGraph, out: NDArray[np.float64], groups: int
) -> NDArray[np.float64]:
    """Median over each group's outer cells of the shortest edge out, um."""
    outer = np.isfinite(out)
    return _median_by(graph.group[outer], out[outer], groups, np.inf)


def _unseen(
    isolation: NDArray[np.float64], cells: NDArray[np.int64], region_cells: int
) -> NDArray[np.float64]:
    """Isolation where nothing lies outside: none, if the group is larger than a region."""
    return np.where(np.isinf(isolation) & (cells > region_cells), 0.0, isolation)


def _row_medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each row without its NaN; NaN for a row without values."""
    held = np.isfinite(values).sum(axis=1)
    ordered = np.sort(values, axis=1)
    rows = np.arange(len(values))
    return 0.5 * (ordered[rows, np.maximum(held - 1, 0) // 2] + ordered[rows, held // 2])


def _region_isolation(
    xy: NDArray[np.float64],
    centres: NDArray[np.float64],
    graph: NeighbourGraph,
    out: NDArray[np.float64],
    region_cells: int,
) -> NDArray[np.float64]:
    """Median shortest edge out over median edge within, of the cells round each centre."""
    n = len(xy)
    if n < 2 or not len(graph.edges):
        return np.full(len(centres), np.inf)
    a, b = graph.edges.T
    length = np.linalg.norm(xy[a] - xy[b], axis=1)
    summed = np.bincount(a, weights=length, minlength=n) + np.bincount(b, length, n)
    inner = np.divide(summed, graph.neighbours, out=np.full(n, np.nan), where=graph.neighbours > 0)
    near = np.asarray(cKDTree(xy).query(centres, min(n, region_cells))[1])
    gap = np.where(np.isfinite(out), out, np.nan)
    ratio = _row_medians(gap[near]) / _row_medians(inner[near])
    return np.where(np.isfinite(ratio), ratio, np.inf)


def _density(xy: NDArray[np.float64], graph: NeighbourGraph, cells: int) -> NDArray[np.float64]:
    """Cells per squared regional spacing round each cell, from the region's radius."""
    n = len(xy)
    k = min(n, cells)
    if k < 2:
        return np.zeros(n)
    radius = np.asarray(cKDTree(xy).query(xy, k)[0])[:, -1]
    return (k - 1) / (np.pi * np.maximum(radius, 1e-12) ** 2) * graph.regional_spacing_um**2


def group_features(
    xy: NDArray[np.float64], graph: NeighbourGraph, settings: GraphSettings
) -> GroupFeatures:
    """Features of all groups.

    Parameters
    ----------
    xy
        (n, 2) positions, um.
    graph
        Their neighbours.
    settings
        Those that the graph was made with.
    """
    groups = int(graph.group.max()) + 1 if len(xy) else 0
    cells = np.bincount(graph.group, minlength=groups).astype(np.int64)
    spacing = _median_by(graph.group, graph.local_spacing_um, groups, np.nan)
    unit = np.where(np.isfinite(spacing) & (spacing > 0), spacing, 1.0)
    centre = (
        np.column_stack([np.bincount(graph.group, weights=v, minlength=groups) for v in xy.T])
        / np.maximum(cells, 1)[:, None]
    )
    relative = (xy - centre[graph.group]) / unit[graph.group][:, None]
    order = np.argsort(graph.group, kind="stable")
    start = np.concatenate([[0], np.cumsum(cells)]).astype(np.int64)
    shape = np.zeros((groups, 10))
    ordered = np.ascontiguousarray(relative[order].T)
    _all_groups(ordered[0], ordered[1], start, shape)
    out = _shortest_out(xy, graph)
    a, b = graph.edges.T
    inner = _median_by(graph.group[a], np.linalg.norm(xy[a] - xy[b], axis=1), groups, np.nan)
    inner = np.where(np.isfinite(inner) & (inner > 0), inner, unit)
    around = np.full(groups, np.inf)
    linked = cells > 2
    around[linked] = _region_isolation(xy, centre[linked], graph, out, settings.field_cells)
    nearest_out = np.full(groups, np.inf)
    np.minimum.at(nearest_out, graph.group, out)
    return GroupFeatures(
        cells=cells,
        x_um=centre[:, 0],
        y_um=centre[:, 1],
        spacing_um=spacing,
        angle_rad=shape[:, 0],
        elongation=shape[:, 1],
        length=shape[:, 2],
        width=shape[:, 3],
        one=shape[:, 4],
        two=shape[:, 5],
        separation=shape[:, 6],
        smaller_share=shape[:, 7],
        shorter=shape[:, 8],
        uneven=shape[:, 9],
        isolation=_unseen(_isolation(graph, out, groups) / inner, cells, settings.region_cells),
        region_isolation=_unseen(around, cells, settings.region_cells),
        density=_median_by(graph.group, _density(xy, graph, settings.region_cells), groups, 0.0),
        grain=inner / (graph.tight_um if graph.tight_um > 0 else 1.0),
        gap=nearest_out / (settings.cut_ratio * unit),
    )
