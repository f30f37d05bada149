"""Arrangement of each group of cells in numbers; lengths in units of the regional spacing."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from engine.cells.files import SHAPE, all_groups
from engine.cells.graph import NeighbourGraph
from engine.cells.settings import GraphSettings


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


def _isolation(graph: NeighbourGraph, out: NDArray[np.float64], groups: int) -> NDArray[np.float64]:
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
    shape = np.zeros((groups, len(SHAPE)))
    ordered = np.ascontiguousarray(relative[order].T)
    all_groups(ordered[0], ordered[1], start, shape)
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
        **dict(zip(SHAPE, shape.T, strict=True)),
        isolation=_unseen(_isolation(graph, out, groups) / inner, cells, settings.region_cells),
        region_isolation=_unseen(around, cells, settings.region_cells),
        density=_median_by(graph.group, _density(xy, graph, settings.region_cells), groups, 0.0),
        grain=inner / (graph.tight_um if graph.tight_um > 0 else 1.0),
        gap=nearest_out / (settings.cut_ratio * unit),
    )
