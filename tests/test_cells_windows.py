"""The window round a site: composition, index, growth, borders."""

import numpy as np
import pytest
from cells_simulator import make_scene

from engine.cells import CellsSettings, grade_groups, grade_windows, neighbour_graph
from engine.cells.settings import ConfidenceSettings, WindowSettings

QUICK = CellsSettings(confidence=ConfidenceSettings(replicates=0))


def windows(centres, xy, settings=QUICK):
    graph = neighbour_graph(xy, settings)
    return grade_windows(
        np.asarray(centres, float), xy, graph, grade_groups(xy, graph, settings), settings
    )


@pytest.fixture(scope="module")
def scene():
    return make_scene(3, tries=700)


def test_composition_is_counted_and_the_index_is_its_mean(scene):
    centres = np.random.default_rng(0).uniform(250, 950, (60, 2))
    graph = neighbour_graph(scene.xy_um, QUICK)
    grades = grade_groups(scene.xy_um, graph, QUICK)
    result = grade_windows(centres, scene.xy_um, graph, grades, QUICK)
    for i, centre in enumerate(centres):
        half = result.window_um[i] / 2
        inside = (np.abs(scene.xy_um - centre) <= half).all(axis=1)
        assert result.cells[i] == inside.sum()
        assert result.density_per_mm2[i] == pytest.approx(inside.sum() / (2 * half / 1000) ** 2)
        if inside.sum() >= 3:
            share = np.bincount(grades.cell_pattern[inside], minlength=5) / inside.sum()
            np.testing.assert_allclose(result.fractions[i], share)
            assert result.index[i] == pytest.approx(share @ np.arange(5))
            assert share[result.pattern[i]] == share.max()


def test_simulated_sites_agree_with_truth():
    agree, mine, true = [], [], []
    for seed in (3, 4, 5):
        scene = make_scene(seed, tries=600, gap_um=26.0)
        middle = scene.xy_um[np.linalg.norm(scene.xy_um - 600, axis=1) < 450]
        centres = middle[np.random.default_rng(seed).choice(len(middle), 60, replace=False)]
        result = windows(centres, scene.xy_um)
        for i, centre in enumerate(centres):
            inside = (np.abs(scene.xy_um - centre) <= result.window_um[i] / 2).all(axis=1)
            share = np.bincount(scene.pattern[inside], minlength=5) / inside.sum()
            agree.append(share[result.pattern[i]] == share.max())
            mine.append(result.index[i])
            true.append(share @ np.arange(5))
    assert np.mean(agree) >= 0.93
    assert np.corrcoef(mine, true)[0, 1] >= 0.95
    assert np.mean(np.abs(np.subtract(mine, true))) <= 0.12


def test_a_string_cut_by_the_window_is_still_a_string():
    file = np.column_stack([np.arange(12) * 10.0, np.zeros(12)])
    rest = file + np.array([0, 300])
    # 3 cells of the file reach into the window
    result = windows([[-25.0, 0.0]], np.vstack([file, rest]))
    assert result.cells[0] == 3
    assert result.pattern[0] == 0
    assert result.groups[0] == 1


def test_the_window_grows_and_then_gives_up():
    far = np.column_stack([np.arange(10) * 10.0, np.zeros(10)])
    result = windows([[45.0, 0.0], [45.0, 90.0], [45.0, 140.0], [45.0, 400.0]], far)
    np.testing.assert_array_equal(result.window_um, [100, 200, 300, 300])
    np.testing.assert_array_equal(result.cells > 0, [True, True, True, False])
    assert result.flags[0] == ()
    assert "wider_window" in result.flags[1]
    assert result.flags[3] == ("too_few_cells",)
    assert result.pattern[3] == -1
    assert np.isnan([result.index[3], result.confidence[3]]).all()
    assert np.isnan(result.fractions[3]).all()


def test_two_cells_have_fractions_but_no_pattern():
    xy = np.array([[0.0, 0], [30, 0], [2000, 2000], [2010, 2000], [2020, 2000]])
    result = windows([[0.0, 0.0]], xy)
    assert result.pattern[0] == -1
    assert result.flags[0] == ("too_few_cells",)
    assert result.fractions[0, 4] == 1.0


def test_cells_on_the_border_count_and_beyond_do_not():
    xy = np.array([[50.0, 0], [-50, 50], [0, -50], [50.001, 0], [0, 50.001], [700, 700]])
    assert windows([[0.0, 0.0]], xy).cells[0] == 3


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_or_no_cells_and_no_sites(count):
    xy = np.array([[0.0, 0], [10, 0]])[:count]
    assert windows([[0.0, 0.0]], xy).pattern[0] == -1
    assert len(windows(np.empty((0, 2)), xy).pattern) == 0


def test_shapes_must_fit():
    xy = np.array([[0.0, 0], [10, 0]])
    graph = neighbour_graph(xy)
    grades = grade_groups(xy, graph)
    with pytest.raises(ValueError, match="cells differ"):
        grade_windows(np.zeros((1, 2)), xy[:1], graph, grades)
    with pytest.raises(ValueError, match="rise"):
        WindowSettings(sides_um=(200.0, 100.0))
