"""Gaps in files of cells: edges that carry a file on across a cell that was missed."""

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

_TAIL = 4
"""Cells of each piece, from its end inwards, that tell which way it runs."""


def components(edges: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Label each of n cells by its connected component."""
    if not n:
        return np.empty(0, dtype=np.int64)
    ones = np.ones(len(edges), dtype=np.int8)
    link = coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(n, n))
    return np.asarray(connected_components(link, directed=False)[1], dtype=np.int64)


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
    """Spread of three or more cells about the line that fits them best, for its two unknowns."""
    x, y = xy[cells, 0], xy[cells, 1]
    x, y = x - np.mean(x), y - np.mean(y)
    sxx, syy, sxy = np.mean(x * x), np.mean(y * y), np.mean(x * y)
    across = 0.5 * (sxx + syy) - np.sqrt(0.25 * (sxx - syy) ** 2 + sxy * sxy)
    return np.sqrt(max(across, 0.0) * x.size / (x.size - 2))


@numba.njit(cache=True, nogil=True)
def _off_joined(xy, links, longer, out):  # type: ignore[no-untyped-def]
    """For each edge between two ends: spread about one line of the tails it would join."""
    first = np.empty(_TAIL, dtype=np.int64)
    second = np.empty(_TAIL, dtype=np.int64)
    for k in range(longer.shape[0]):
        m = _tail(longer[k, 0], links, first)
        n = _tail(longer[k, 1], links, second)
        out[k] = _off_line(xy, np.append(first[:m], second[:n])) if m + n >= 3 else np.inf


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


def _straightest(longer: NDArray[np.int64], off: NDArray[np.float64], n: int) -> NDArray[np.int64]:
    """Of edges that share an end only the straightest."""
    best = np.full(n, np.inf)
    np.minimum.at(best, longer.ravel(), np.repeat(off, 2))
    return longer[(best[longer] == off[:, None]).all(axis=1)]


def bridges(
    xy: NDArray[np.float64],
    kept: NDArray[np.int64],
    longer: NDArray[np.int64],
    lateral_um: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Those longer edges that carry a file on across a cell that was missed.

    Both ends must be ends of files or lone cells, at least three cells near the gap must lie on one
    line, and no end is bridged to two sides at once.
    """
    n = len(xy)
    links = _links(kept, n)
    ends = (links[longer, 1] < 0).all(axis=1)
    apart = components(kept, n)[longer]
    ends &= apart[:, 0] != apart[:, 1]
    longer, lateral_um = longer[ends], lateral_um[ends]
    off = np.empty(len(longer))
    _off_joined(xy, links, longer, off)
    straight = off <= lateral_um
    return _straightest(longer[straight], off[straight], n)
