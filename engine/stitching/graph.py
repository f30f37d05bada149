"""How firmly tiles hang together by their links."""

from collections import deque

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


def bodies(count: int, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Tell which connected piece each tile belongs to, (count,).

    Parameters
    ----------
    count
        Number of tiles.
    pairs
        (m, 2) joined ones.

    Examples
    --------
    >>> bodies(4, np.array([[0, 1], [2, 3]])).tolist()
    [0, 0, 1, 1]
    """
    ones = np.ones(len(pairs))
    graph = coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def main_body(count: int, pairs: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tiles of the largest piece that stays in one when any single link is cut, (count,).

    Within it every link closes a loop, so that a wrong one would have been contradicted.

    Parameters
    ----------
    count, pairs
        As in `bodies`.

    Examples
    --------
    >>> main_body(4, np.array([[0, 1], [1, 2], [0, 2], [2, 3]])).tolist()
    [True, True, True, False]
    """
    body = bodies(count, pairs[~_bridges(count, pairs)])
    sizes = np.bincount(body, minlength=1)
    if not count or sizes.max() < 2:
        return np.zeros(count, bool)
    return np.asarray(body == np.argmax(sizes))


def _bridges(count: int, pairs: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Links that lie on no loop, (m,): branches of a tree that no link beside it runs round."""
    parent, through, depth = _forest(count, pairs)
    loose = np.ones(len(pairs), bool)
    on_tree = set(through)
    for number, ends in enumerate(pairs.tolist()):
        if number in on_tree:
            continue
        loose[number] = False
        low, high = ends
        while low != high:  # up to where both ways meet: all of it is on this link's loop
            low, high = sorted((low, high), key=lambda tile: -depth[tile])
            loose[through[low]] = False
            low = parent[low]
    return loose


def _forest(count: int, pairs: NDArray[np.int64]) -> tuple[list[int], list[int], list[int]]:
    """Spanning trees: each tile's parent, the link to it (-1 at a root) and its depth."""
    near: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    for number, (a, b) in enumerate(pairs.tolist()):
        near[a].append((b, number))
        near[b].append((a, number))
    parent, through, depth = list(range(count)), [-1] * count, [-1] * count
    for root in range(count):
        if depth[root] >= 0:
            continue
        depth[root] = 0
        queue = deque([root])
        while queue:
            at = queue.popleft()
            for other, number in near[at]:
                if depth[other] < 0:
                    parent[other], through[other], depth[other] = at, number, depth[at] + 1
                    queue.append(other)
    return parent, through, depth
