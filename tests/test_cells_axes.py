"""Axes that are drawn are those the rules measured from."""

import numpy as np
import pytest
from cells_simulator import make_scene
from shapely import LineString, Point

from engine.cells import grade_groups, neighbour_graph
from engine.cells.axes import group_axes
from engine.cells.features import group_features
from engine.cells.patterns import BIG_CLUSTER, DIFFUSE, DOUBLE_STRING, SMALL_CLUSTER, STRING
from engine.cells.settings import CellsSettings


def away(xy: np.ndarray, lines: tuple) -> np.ndarray:
    """Distance of each cell to the nearest of some lines, both ends carried on a little."""
    return np.min([[LineString(line).distance(Point(p)) for p in xy] for line in lines], axis=0)


def test_the_axes_are_as_far_from_the_cells_as_the_features_say() -> None:
    scene = make_scene(4, tries=900)
    settings = CellsSettings()
    graph = neighbour_graph(scene.xy_um, settings)
    features = group_features(scene.xy_um, graph, settings.graph)
    grades = grade_groups(scene.xy_um, graph, settings)
    seen = {STRING: 0, DOUBLE_STRING: 0}
    for group, pattern in enumerate(grades.pattern):
        if pattern not in seen:
            continue
        mine = scene.xy_um[graph.group == group]
        lines = group_axes(mine, pattern)
        assert len(lines) == (1 if pattern == STRING else 2)
        told = features.one[group] if pattern == STRING else features.two[group]
        rms = np.sqrt(np.mean(away(mine, lines) ** 2)) / features.spacing_um[group]
        # a bent axis is nearer to a cell than along u, and the ends of a file are its last cells
        assert rms == pytest.approx(told, abs=0.03)
        seen[int(pattern)] += 1
    assert min(seen.values()) >= 5


def test_a_cluster_has_its_extent_and_diffuse_cells_nothing() -> None:
    square = np.array([[100.0, 200], [120, 200], [120, 208], [100, 208], [110, 204]])
    for pattern in (SMALL_CLUSTER, BIG_CLUSTER):
        along, across = group_axes(square, pattern)
        np.testing.assert_allclose(np.ptp(along, axis=0), [20, 0], atol=1e-9)
        np.testing.assert_allclose(np.ptp(across, axis=0), [0, 8], atol=1e-9)
        np.testing.assert_allclose(along.mean(axis=0), [110, 204])
    assert group_axes(square, DIFFUSE) == ()
    assert group_axes(square[:1], STRING) == ()


def test_axes_turn_with_the_cells() -> None:
    file = np.column_stack([np.arange(9) * 10.0, 0.002 * (np.arange(9) * 10.0) ** 2])
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    (line,) = group_axes(file, STRING)
    (turned,) = group_axes(file @ turn.T, STRING)
    ends = {tuple(np.round(p, 6)) for p in line[[0, -1]] @ turn.T}
    assert ends == {tuple(np.round(p, 6)) for p in turned[[0, -1]]}
    assert away(file, (line,)).max() < 0.2
