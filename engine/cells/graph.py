"""Which cells are neighbours: Delaunay, thinned to Gabriel's graph, long edges cut."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, QhullError, cKDTree

from engine.cells.bridges import bridges, components
from engine.cells.settings import CellsSettings, GraphSettings

_TIE = 1e-9
"""A point this near to Gabriel's circle, relative to its radius squared, counts as inside."""

_ROUNDS = 2
"""A lone cell between two missed ones is reached from one side first."""


@dataclass(frozen=True)
class NeighbourGraph:
    """Neighbours among cells.

    Attributes
    ----------
    edges
        (m, 2) pairs of cells, smaller index first, sorted: Gabriel edges that were kept.
    delaunay
        (k, 2) all Delaunay edges, the same way.
    group
        (n,) connected component of each cell, numbered by its first cell.
    neighbours
        (n,) edges at each cell.
    nn_distance_um
        (n,) distance to the nearest other cell; NaN where there is none.
    regional_spacing_um
        (n,) spacing of the cells round each cell: mean of the medians of the distances to the
        nearest and the second nearest. The nearest alone shrinks when positions are unsure.
    local_spacing_um
        (n,) the same, but not beyond a multiple of the disc's tight regions (see `GraphSettings`):
        the unit in which the cut is made and groups are measured. NaN where there is no neighbour.
    spacing_um
        Median of ``local_spacing_um``; NaN with fewer than two cells.
    tight_um
        Regional spacing of the disc's tight regions; NaN with fewer than two cells.
    """

    edges: NDArray[np.int64]
    delaunay: NDArray[np.int64]
    group: NDArray[np.int64]
    neighbours: NDArray[np.int64]
    nn_distance_um: NDArray[np.float64]
    regional_spacing_um: NDArray[np.float64]
    local_spacing_um: NDArray[np.float64]
    spacing_um: float
    tight_um: float


def _pairs(first: NDArray[np.int64], second: NDArray[np.int64]) -> NDArray[np.int64]:
    """Pairs with the smaller index first, sorted, each once."""
    both = np.column_stack([np.minimum(first, second), np.maximum(first, second)])
    both = both[both[:, 0] != both[:, 1]]
    return np.unique(both, axis=0).astype(np.int64).reshape(-1, 2)


def _chain(xy: NDArray[np.float64]) -> NDArray[np.int64]:
    """Link points on one line in their order along it."""
    centred = xy - xy.mean(axis=0)
    along = centred @ np.linalg.svd(centred, full_matrices=False)[2][0]
    order = np.argsort(along, kind="stable")
    return _pairs(order[:-1], order[1:])


def _triangulate(xy: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Delaunay edges and those of them that are Gabriel edges, of distinct points."""
    none = np.empty((0, 2), dtype=np.int64)
    if len(xy) < 2:
        return none, none
    if len(xy) == 2 or np.linalg.matrix_rank(xy - xy[0], tol=_TIE * np.ptp(xy)) < 2:
        chain = _chain(xy)
        return chain, chain
    try:
        mesh = Delaunay(xy)
    except QhullError:
        chain = _chain(xy)
        return chain, chain
    triangles = mesh.simplices.astype(np.int64)
    a, b = triangles[:, [0, 1, 2]].ravel(), triangles[:, [1, 2, 0]].ravel()
    opposite = triangles[:, [2, 0, 1]].ravel()
    # the opposite corner sees the edge at more than a right angle: it lies in the circle over it
    dot = np.einsum("ij,ij->i", xy[a] - xy[opposite], xy[b] - xy[opposite])
    inside = dot <= _TIE * np.einsum("ij,ij->i", xy[a] - xy[b], xy[a] - xy[b])
    lost = mesh.coplanar
    edges = _pairs(np.append(a, lost[:, 0]), np.append(b, lost[:, 2]))
    barred = _pairs(a[inside], b[inside])
    n = len(xy)
    gabriel = edges[~np.isin(edges[:, 0] * n + edges[:, 1], barred[:, 0] * n + barred[:, 1])]
    return edges, gabriel


def _edges(xy: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Edges, where points may coincide: those are linked to the first of them."""
    distinct, first, inverse = np.unique(xy, axis=0, return_index=True, return_inverse=True)
    every, gabriel = _triangulate(distinct)
    leader = first[inverse.ravel()]
    twins = np.flatnonzero(leader != np.arange(len(xy)))
    return (
        _pairs(np.append(first[every[:, 0]], twins), np.append(first[every[:, 1]], leader[twins])),
        _pairs(
            np.append(first[gabriel[:, 0]], twins), np.append(first[gabriel[:, 1]], leader[twins])
        ),
    )


def _spacing(
    xy: NDArray[np.float64], cells: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nearest distance of each cell, and the spacing of the cells round it."""
    n = len(xy)
    if n < 2:
        return np.full(n, np.nan), np.full(n, np.nan)
    distance, index = (np.asarray(v) for v in cKDTree(xy).query(xy, min(n, cells)))
    nearest, second = distance[:, 1], distance[:, min(2, n - 1)]
    return nearest, 0.5 * (np.median(nearest[index], axis=1) + np.median(second[index], axis=1))


def _tight(regional: NDArray[np.float64], s: GraphSettings) -> float:
    """Regional spacing of the disc's tight regions."""
    return float(np.quantile(regional, s.tight_quantile)) if regional.size else float("nan")


def neighbour_graph(
    xy_um: NDArray[np.float64], settings: CellsSettings | None = None
) -> NeighbourGraph:
    """Neighbours among cells.

    Two cells are neighbours if no third lies in the circle over them (Gabriel & Sokal 1969, Syst.
    Zool. 18:259; tested on the Delaunay triangulation, which holds all such pairs) and they are
    not farther apart than ``cut_ratio`` times the regional spacing. A longer Gabriel edge is kept
    where it carries a file straight on, as over one cell that was missed.

    Parameters
    ----------
    xy_um
        (n, 2) positions, um. Coinciding and collinear ones are allowed.
    settings
        Settings.

    Returns
    -------
    NeighbourGraph
        Edges and connected groups.

    Raises
    ------
    ValueError
        If ``xy_um`` is not (n, 2) or not finite.
    """
    xy = checked_positions(xy_um)
    s = (settings or CellsSettings()).graph
    every, gabriel = _edges(xy)
    nearest, regional = _spacing(xy, s.region_cells)
    tight = _tight(regional, s)
    # groups have one grain all over a disc, scattered cells don't
    local = np.minimum(regional, s.spacing_ratio_max * tight)
    length = np.linalg.norm(xy[gabriel[:, 0]] - xy[gabriel[:, 1]], axis=1)
    reach = s.cut_ratio * np.minimum(local[gabriel[:, 0]], local[gabriel[:, 1]])
    n = len(xy)
    kept = gabriel[length <= reach]
    # where cells are scattered a lone cell in line is chance
    grouped = (regional <= s.bridge_spacing_ratio_max * tight)[gabriel].all(axis=1)
    longer = grouped & (length > reach) & (length <= reach * s.bridge_ratio / s.cut_ratio)
    lateral = s.bridge_lateral_max * np.minimum(local[gabriel[:, 0]], local[gabriel[:, 1]])
    edges = kept
    for _ in range(_ROUNDS):
        across = bridges(xy, edges, gabriel[longer], lateral[longer])
        edges = _pairs(*np.vstack([edges, across]).T)
    group = components(edges, n)
    return NeighbourGraph(
        edges=edges,
        delaunay=every,
        group=_by_first(group),
        neighbours=np.bincount(edges.ravel(), minlength=n).astype(np.int64),
        nn_distance_um=nearest,
        regional_spacing_um=regional,
        local_spacing_um=local,
        spacing_um=float(np.median(local)) if n > 1 else float("nan"),
        tight_um=tight,
    )


def _by_first(label: NDArray[np.int64]) -> NDArray[np.int64]:
    """Labels renumbered in the order in which they first appear."""
    _, first, inverse = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(first.size, dtype=np.int64)
    rank[np.argsort(first)] = np.arange(first.size)
    return rank[inverse.ravel()] if label.size else label


def checked_positions(xy_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """Positions as (n, 2) float64.

    Raises
    ------
    ValueError
        If the shape is another or a value is not finite.
    """
    xy = np.asarray(xy_um, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"xy_um must be (n, 2), got shape {xy.shape}")
    if not np.isfinite(xy).all():
        raise ValueError("xy_um must be finite")
    return xy
