"""Pattern grade of groups: drawn shapes, simulated tissue, disturbances, invariance."""

import numpy as np
import pytest
from cells_simulator import make_scene
from score_grade import disturbed

from engine.cells import PATTERNS, CellsSettings, grade_groups, neighbour_graph
from engine.cells.features import group_features
from engine.cells.settings import ConfidenceSettings, RuleSettings

QUICK = CellsSettings(confidence=ConfidenceSettings(replicates=0))


def balanced(true, said):
    return np.mean([(said[true == k] == k).mean() for k in np.unique(true)])


def graded(xy, settings=QUICK, seed=0):
    return grade_groups(xy, neighbour_graph(xy, settings), settings, seed)


def among_strings(shape):
    """A shape among far-off straight strings, so that the spacing is known: 10 um."""
    lines = [
        np.column_stack([np.arange(8) * 10.0 + 300 * i, np.full(8, 400.0 + 60 * j)])
        for i in range(3)
        for j in range(3)
    ]
    return np.vstack([np.asarray(shape, float), *lines])


def hexagon(rings):
    points = [
        (10 * (q + r / 2), 10 * r * np.sqrt(3) / 2)
        for q in range(-rings, rings + 1)
        for r in range(-rings, rings + 1)
        if abs(q + r) <= rings
    ]
    return np.array(points)


ARC = np.linspace(0, 1.0, 9)
SHAPES = {
    "straight": ([(10 * i, 0) for i in range(6)], "string"),
    "bent": (np.column_stack([90 * np.sin(ARC), 90 * (1 - np.cos(ARC))]), "string"),
    "two files": ([(10 * i, 10 * j) for i in range(5) for j in range(2)], "double_string"),
    "staggered": ([(10 * i + 5 * j, 9 * j) for i in range(5) for j in range(2)], "double_string"),
    "triangle": ([(0, 0), (10, 0), (5, 8.7)], "small_cluster"),
    "hexagon": (hexagon(1), "small_cluster"),
    "large hexagon": (hexagon(2), "big_cluster"),
    "alone": ([(0, 0)], "diffuse"),
    "pair": ([(0, 0), (10, 0)], "diffuse"),
}


@pytest.mark.parametrize("name", SHAPES)
def test_drawn_shapes_have_their_names(name):
    shape, expected = SHAPES[name]
    result = graded(among_strings(shape))
    assert PATTERNS[result.pattern[0]] == expected
    assert result.cells[0] == len(shape)
    assert result.rule[0].startswith(expected.replace("_", " "))


@pytest.mark.parametrize("name", ["straight", "two files", "hexagon", "large hexagon", "alone"])
def test_clear_shapes_are_graded_with_confidence(name):
    result = graded(among_strings(SHAPES[name][0]), CellsSettings())
    assert result.confidence[0] > 0.7
    assert not result.ambiguous[0]


def test_measures_of_a_drawn_group():
    a = np.radians(30.0)
    shape = np.array([(10.0 * i, 0.0) for i in range(6)]) @ [[np.cos(a), -np.sin(a)], [0, 0]]
    result = graded(among_strings(shape))
    # y is down: a file that climbs on the screen has a positive angle
    assert result.angle_deg[0] == pytest.approx(30.0)
    assert result.length_um[0] == pytest.approx(50.0)
    assert result.width_um[0] == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose([result.x_um[0], result.y_um[0]], shape.mean(axis=0))
    assert result.spacing_um[0] == pytest.approx(10.0)


def test_features_of_two_exact_files():
    xy = among_strings([(10.0 * i + 3 * j, 9.0 * j) for i in range(6) for j in range(2)])
    graph = neighbour_graph(xy)
    f = group_features(xy, graph, CellsSettings().graph)
    unit = f.spacing_um[0]
    assert f.two[0] == pytest.approx(0.0, abs=1e-9)
    assert f.separation[0] == pytest.approx(9.0 / unit)
    assert f.smaller_share[0] == 0.5


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_simulated_tissue_of_clean_positions(seed):
    scene = make_scene(seed, tries=500, gap_um=26.0)
    assert balanced(scene.pattern, graded(scene.xy_um).cell_pattern) >= 0.90


@pytest.mark.parametrize(
    ("jitter_um", "missed", "false", "bar"),
    [(0.0, 0.0, 0.0, 0.95), (1.0, 0.08, 0.02, 0.92), (2.0, 0.15, 0.04, 0.82)],
)
def test_accuracy_holds_when_positions_are_disturbed(jitter_um, missed, false, bar):
    true, said = [], []
    for seed in range(6):
        scene = make_scene(30 + seed, tries=500, gap_um=26.0)
        xy, pattern = disturbed(scene, seed, jitter_um, missed, false)
        known = pattern >= 0
        true.append(pattern[known])
        said.append(graded(xy).cell_pattern[known])
    assert balanced(np.concatenate(true), np.concatenate(said)) >= bar


@pytest.mark.parametrize(("spacing", "gap"), [(10.5, 24.0), (14.0, 30.0)])
def test_groups_in_dense_tissue_are_not_a_field(spacing, gap):
    scene = make_scene(31, spacing_um=spacing, gap_um=gap, tries=1500)
    said = graded(scene.xy_um).cell_pattern
    grouped = scene.pattern < 4
    assert (said[grouped] == 4).mean() <= 0.03
    assert balanced(scene.pattern, said) >= 0.93


def test_a_file_goes_on_across_a_missed_cell():
    whole = np.array([(10.0 * i, 2.0 * (i % 2)) for i in range(9)])
    for missed in (2, 4, 6):
        result = graded(among_strings(np.delete(whole, missed, axis=0)))
        assert result.cells[0] == 8
        assert PATTERNS[result.pattern[0]] == "string"


def test_files_at_an_angle_are_not_joined_across_a_gap():
    bent = [(10.0 * i, 0.0) for i in range(4)] + [(42.0 + 7 * i, 14.0 + 7 * i) for i in range(4)]
    result = graded(among_strings(bent))
    assert result.cells[0] == 4


def test_a_short_double_string_must_be_even():
    even = [(10.0 * i, 10.0 * j) for i in range(3) for j in range(2)]
    uneven = [(0, 0), (10, 0), (20, 0), (2, 10), (7.5, 13), (19, 10)]
    said = [PATTERNS[graded(among_strings(shape)).pattern[0]] for shape in (even, uneven)]
    assert said == ["double_string", "small_cluster"]


def test_confidence_means_what_it_says():
    right, sure = [], []
    for seed in (5, 6, 7):
        scene = make_scene(seed, tries=500, gap_um=26.0)
        result = graded(scene.xy_um, CellsSettings())
        right.append(result.cell_pattern == scene.pattern)
        sure.append(result.cell_confidence)
    right, sure = np.concatenate(right), np.concatenate(sure)
    assert right[sure >= 0.7].mean() >= 0.97
    assert right[sure < 0.5].mean() < right[sure >= 0.7].mean() - 0.1


def test_confidence_is_the_share_that_is_right_when_positions_are_disturbed():
    right, sure = [], []
    for seed in (40, 41, 42, 43):
        xy, true = disturbed(make_scene(seed, tries=500, gap_um=26.0), seed, 1.0, 0.08, 0.02)
        result = graded(xy, CellsSettings())
        right.append((result.cell_pattern == true)[true >= 0])
        sure.append(result.cell_confidence[true >= 0])
    right, sure = np.concatenate(right), np.concatenate(sure)
    for low, high in ((0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        held = (sure >= low) & (sure < high)
        # a class holds some tens of groups: less sure than right is the side to err on
        assert -0.06 <= right[held].mean() - sure[held].mean() <= 0.17


def similar(xy, turn, factor, mirrored):
    c, s = np.cos(turn), np.sin(turn)
    out = factor * xy @ np.array([[c, s], [-s, c]])
    return out * [1, -1] if mirrored else out


@pytest.mark.parametrize(
    ("turn", "factor", "mirrored"),
    [(0.3, 1.0, False), (2.0, 1.0, False), (0.0, 1.0, True), (0.0, 40.0, False), (1.0, 0.01, True)],
)
def test_turn_mirror_and_scale_do_not_change_the_grade(turn, factor, mirrored):
    scene = make_scene(9, size_um=800.0, tries=400)
    plain = graded(scene.xy_um)
    other = graded(similar(scene.xy_um, turn, factor, mirrored))
    np.testing.assert_array_equal(other.pattern, plain.pattern)
    np.testing.assert_array_equal(other.cells, plain.cells)


def test_the_order_of_the_cells_does_not_matter():
    scene = make_scene(10, size_um=800.0, tries=400)
    order = np.random.default_rng(0).permutation(len(scene.xy_um))
    plain, other = graded(scene.xy_um), graded(scene.xy_um[order])
    np.testing.assert_array_equal(other.cell_pattern, plain.cell_pattern[order])


def test_a_field_without_groups_is_diffuse():
    rng = np.random.default_rng(11)
    points = []
    while len(points) < 400:
        new = rng.uniform(0, 700, 2)
        if all(np.hypot(*(new - p)) > 14 for p in points):
            points.append(new)
    said = graded(np.array(points)).cell_pattern
    assert (said == PATTERNS.index("diffuse")).mean() >= 0.9


def test_a_borderline_group_is_called_ambiguous():
    # ends spread until the group is just as long over wide as the rule for two files asks
    shape = [(11.0 * i + 2.5 * j * (i - 1), 10.5 * j) for i in range(3) for j in range(2)]
    result = graded(among_strings(shape), CellsSettings())
    assert result.ambiguous[0]
    assert result.second[0] >= 0


def test_same_seed_same_confidence():
    scene = make_scene(12, size_um=700.0, tries=300)
    a, b = (graded(scene.xy_um, CellsSettings(), seed=4) for _ in range(2))
    np.testing.assert_array_equal(a.confidence, b.confidence)
    assert (graded(scene.xy_um, CellsSettings(), seed=5).confidence != a.confidence).any()
    assert ((a.confidence >= 0) & (a.confidence <= 1)).all()


def test_rules_follow_their_settings():
    shape = SHAPES["hexagon"][0]
    few = CellsSettings(
        rules=RuleSettings(small_cluster_cells_max=6), confidence=ConfidenceSettings(replicates=0)
    )
    assert PATTERNS[graded(among_strings(shape), few).pattern[0]] == "big_cluster"


@pytest.mark.parametrize(
    "xy",
    [
        np.empty((0, 2)),
        np.zeros((1, 2)),
        np.zeros((6, 2)),
        np.array([[0.0, 0], [10, 0]]),
        np.array([[0.0, 0], [0, 0], [10, 0]]),
        np.column_stack([np.arange(9.0), np.zeros(9)]),
    ],
    ids=["none", "one", "all-in-one-place", "two", "twins", "line"],
)
def test_degenerate_cells_do_not_crash(xy):
    result = graded(xy, CellsSettings())
    assert len(result.cell_pattern) == len(xy)
    assert np.isfinite(result.confidence).all()
    assert len(result.rule) == len(result.pattern)


def test_graph_and_positions_must_belong_together():
    with pytest.raises(ValueError, match="3 cells, graph has 2"):
        grade_groups(np.zeros((3, 2)), neighbour_graph(np.array([[0.0, 0], [1, 1]])))
