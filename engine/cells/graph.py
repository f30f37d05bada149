"""Which cells are neighbours: Delaunay, thinned to Gabriel's graph, long edges cut."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, QhullError, cKDTree

from engine.cells.settings import CellsSettings, GraphSettings

_TIE = 1e-9
"""A point this near to Gabriel's circle, relative to its radius squared, counts as inside."""


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


def _components(edges: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Label each of n cells by its connected component."""
    if not n:
        return np.empty(0, dtype=np.int64)
    ones = np.ones(len(edges), dtype=np.int8)
    link = coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(n, n))
    return np.asarray(connected_components(link, directed=False)[1], dtype=np.int64)


_ROUNDS = 2

_TAIL = 4
"""Cells of each piece, from its end inwards, that tell which way it runs."""


@numba.njit(cache=True, nogil=True)
def _tail(end, links, tail):  # type: ignore[no-untyped-def]
    """Collect cells from an end inwards until the piece forks; returns how many."""
    tail[0] = end
    count, last, at = 1, -1, end
    while count < tail.size:
        onward = links[at, 0] if links[at, 0] != last else links[at, 1]
        if onward < 0 or links[at, 2] >= 0:
            break
        last, at = at, onward
        tail[count] = at
        count += 1
    return count


@numba.njit(cache=True, nogil=True)
def _off_line(xy, cells):  # type: ignore[no-untyped-def]
    """RMS distance of cells from the straight line that fits them best."""
    x, y = xy[cells, 0], xy[cells, 1]
    x, y = x - np.mean(x), y - np.mean(y)
    sxx, syy, sxy = np.mean(x * x), np.mean(y * y), np.mean(x * y)
    across = 0.5 * (sxx + syy) - np.sqrt(0.25 * (sxx - syy) ** 2 + sxy * sxy)
    return np.sqrt(max(across, 0.0))


@numba.njit(cache=True, nogil=True)
def _off_joined(xy, links, longer, out):  # type: ignore[no-untyped-def]
    """For each edge between two ends: RMS distance from one line of the tails it would join."""
    first = np.empty(_TAIL, dtype=np.int64)
    second = np.empty(_TAIL, dtype=np.int64)
    for k in range(longer.shape[0]):
        m = _tail(longer[k, 0], links, first)
        n = _tail(longer[k, 1], links, second)
        out[k] = _off_line(xy, np.append(first[:m], second[:n])) if m + n >= 4 else np.inf


def _links(edges: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Up to three neighbours of each cell, (n, 3), -1 where there are fewer."""
    both = np.vstack([edges, edges[:, ::-1]])
    both = both[np.argsort(both[:, 0], kind="stable")]
    degree = np.bincount(both[:, 0], minlength=n)
    rank = np.arange(len(both)) - np.repeat(np.cumsum(degree) - degree, degree)
    out = np.full((n, 3), -1, dtype=np.int64)
    first = rank < 3
    out[both[first, 0], rank[first]] = both[first, 1]
    return out


def _straightest(
    longer: NDArray[np.int64], off: NDArray[np.float64], n: int
) -> NDArray[np.int64]:
    """Of edges that share an end only the straightest."""
    best = np.full(n, np.inf)
    np.minimum.at(best, longer.ravel(), np.repeat(off, 2))
    return longer[(best[longer] == off[:, None]).all(axis=1)]


def _bridges(
    xy: NDArray[np.float64],
    kept: NDArray[np.int64],
    longer: NDArray[np.int64],
    lateral_um: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Those longer edges that carry a file on across a cell that was missed.

    Both ends must be ends of files or lone cells, at least four cells near the gap must lie on one
    line, and no end is bridged to two sides at once.
    """
    n = len(xy)
    links = _links(kept, n)
    ends = (links[longer, 1] < 0).all(axis=1)
    apart = _components(kept, n)[longer]
    ends &= apart[:, 0] != apart[:, 1]
    longer, lateral_um = longer[ends], lateral_um[ends]
    off = np.empty(len(longer))
    _off_joined(xy, links, longer, off)
    straight = off <= lateral_um
    return _straightest(longer[straight], off[straight], n)


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
    # where cells are scattered (the spacing is capped) a lone cell in line is chance
    grouped = (regional <= local)[gabriel].all(axis=1)
    longer = grouped & (length > reach) & (length <= reach * s.bridge_ratio / s.cut_ratio)
    lateral = s.bridge_lateral_max * np.minimum(local[gabriel[:, 0]], local[gabriel[:, 1]])
    edges = kept
    # a lone cell between two missed ones is reached from one side first
    for _ in range(_ROUNDS):
        bridges = _bridges(xy, edges, gabriel[longer], lateral[longer])
        edges = _pairs(*np.vstack([edges, bridges]).T)
    group = _components(edges, n)
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
