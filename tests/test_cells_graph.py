"""Neighbour graph: brute force, degenerate points, invariance."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from engine.cells import CellsSettings, neighbour_graph
from engine.cells.settings import GraphSettings


def brute_gabriel(xy, tie=1e-9):
    """All pairs with no third point in the closed circle over them."""
    edges = []
    for i in range(len(xy)):
        for j in range(i + 1, len(xy)):
            dot = np.einsum("ij,ij->i", xy[i] - xy, xy[j] - xy)
            others = np.delete(np.arange(len(xy)), [i, j])
            if (dot[others] > tie * np.sum((xy[i] - xy[j]) ** 2)).all():
                edges.append((i, j))
    return np.array(edges).reshape(-1, 2)


def uncut():
    return CellsSettings(
        graph=GraphSettings(cut_ratio=10.0, spacing_ratio_max=100.0, region_cells=1000)
    )


@pytest.mark.parametrize("seed", range(8))
def test_edges_are_those_of_brute_force(seed):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 100, (int(rng.integers(4, 60)), 2))
    graph = neighbour_graph(xy, uncut())
    length = np.linalg.norm(np.diff(xy[brute_gabriel(xy)], axis=1)[:, 0], axis=1)
    kept = brute_gabriel(xy)[length <= 10.0 * graph.local_spacing_um[0]]
    np.testing.assert_array_equal(graph.edges, kept)


def test_a_square_grid_has_no_diagonals():
    xy = np.array([(x, y) for x in range(5) for y in range(4)], dtype=float) * 10
    graph = neighbour_graph(xy)
    assert len(graph.edges) == 5 * 3 + 4 * 4
    assert graph.group.max() == 0


def test_two_clusters_apart_are_two_groups_in_the_order_of_their_cells():
    rng = np.random.default_rng(1)
    near = np.array([(x, y) for x in range(3) for y in range(3)], dtype=float) * 10
    xy = np.vstack([near + np.array([500, 0]), near]) + rng.normal(0, 0.3, (18, 2))
    graph = neighbour_graph(xy)
    np.testing.assert_array_equal(graph.group, [0] * 9 + [1] * 9)


def test_nearest_distances_and_degrees():
    xy = np.random.default_rng(2).uniform(0, 200, (80, 2))
    graph = neighbour_graph(xy)
    np.testing.assert_allclose(graph.nn_distance_um, cKDTree(xy).query(xy, 2)[0][:, 1])
    np.testing.assert_array_equal(graph.neighbours, np.bincount(graph.edges.ravel(), minlength=80))
    for a, b in graph.edges:
        assert graph.group[a] == graph.group[b]


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_very_few_cells(count):
    xy = np.array([[0.0, 0.0], [10.0, 0.0], [5.0, 8.0]])[:count]
    graph = neighbour_graph(xy)
    assert len(graph.group) == count
    assert len(graph.edges) == {0: 0, 1: 0, 2: 1, 3: 3}[count]
    assert np.isnan(graph.nn_distance_um).all() == (count < 2)


@pytest.mark.parametrize("direction", [(1.0, 0.0), (0.0, 1.0), (0.6, 0.8), (1.0, 1e-14)])
def test_collinear_cells_are_a_chain(direction):
    along = np.array([0.0, 30.0, 10.0, 20.0, 40.0])
    graph = neighbour_graph(along[:, None] * np.array(direction))
    np.testing.assert_array_equal(graph.edges, [[0, 2], [1, 3], [1, 4], [2, 3]])


def test_coinciding_cells_are_neighbours_and_one_group():
    base = np.random.default_rng(3).uniform(0, 50, (20, 2))
    graph = neighbour_graph(np.vstack([base, base[:4], base[:1]]))
    assert (graph.group[20:24] == graph.group[:4]).all()
    assert graph.group[24] == graph.group[0]
    assert neighbour_graph(np.zeros((5, 2))).group.max() == 0


def test_scale_turn_and_mirror_do_not_change_the_edges():
    xy = np.random.default_rng(4).uniform(0, 300, (150, 2))
    edges = neighbour_graph(xy).edges
    a = 0.7
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    for other in (xy * 1000, xy / 1000, xy @ turn.T + 1e4, xy * [1, -1]):
        np.testing.assert_array_equal(neighbour_graph(other).edges, edges)


@pytest.mark.parametrize("bad", [np.zeros(4), np.zeros((3, 3)), np.array([[0.0, np.nan]])])
def test_wrong_positions_are_refused(bad):
    with pytest.raises(ValueError, match="xy_um must be"):
        neighbour_graph(bad)


def rows_of_cells():
    return [(10.0 * i, 80.0 + 60 * j) for i in range(10) for j in range(4)]


def test_a_file_is_carried_across_one_missing_cell_but_not_round_a_corner():
    file = [(10.0 * i, 0.0) for i in range(8) if i != 4]
    straight = neighbour_graph(np.array(file + rows_of_cells()))
    assert len(np.unique(straight.group[:7])) == 1
    corner = [(10.0 * i, 0.0) for i in range(4)] + [(30.0, -20.0 - 10 * i) for i in range(3)]
    bent = neighbour_graph(np.array(corner + rows_of_cells()))
    assert len(np.unique(bent.group[:7])) == 2
    two_gone = [(10.0 * i, 0.0) for i in range(9) if i not in (4, 5)]
    wide = neighbour_graph(np.array(two_gone + rows_of_cells()))
    assert len(np.unique(wide.group[:7])) == 2
