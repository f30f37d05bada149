"""Regions: point in polygon, counts at each level, sentences, joins."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon, contains_xy

from engine.across import (
    FLAGS,
    AcrossSettings,
    SiteTable,
    compare_regions,
    count_cells,
    nearest_join,
    points_in_polygon,
    points_in_polygons,
    polygon_area_mm2,
    within_window,
)


def _star(rng: np.random.Generator, corners: int) -> np.ndarray:
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(0.2, 1.0, corners)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


@pytest.mark.parametrize("corners", [3, 4, 7, 60, 400])
def test_points_in_polygon_agrees_with_shapely(corners: int) -> None:
    rng = np.random.default_rng(corners)
    polygon = _star(rng, corners)
    shape = Polygon(polygon)
    if not shape.is_valid:  # a fan wider than half a turn
        pytest.skip("the random star is not simple")
    points = rng.uniform(-1.1, 1.1, (5000, 2))
    assert (points_in_polygon(points, polygon) == contains_xy(shape, points)).all()


def test_every_point_belongs_to_one_of_the_polygons_that_tile_the_plane() -> None:
    # Points on edges and corners, too: grid points on a grid of squares.
    squares = [[[i, j], [i + 1, j], [i + 1, j + 1], [i, j + 1]] for i in range(4) for j in range(4)]
    points = np.stack(np.meshgrid(np.arange(0, 4, 0.5), np.arange(0, 4, 0.5)), -1).reshape(-1, 2)
    counts = np.sum(points_in_polygons(points, squares), axis=0)
    assert (counts == 1).all()


@given(st.integers(0, 7), st.booleans())
def test_start_and_direction_of_the_lasso_do_not_matter(turn: int, backwards: bool) -> None:
    rng = np.random.default_rng(0)
    polygon, points = _star(rng, 8), rng.uniform(-1, 1, (300, 2))
    other = np.roll(polygon, turn, axis=0)[:: -1 if backwards else 1]
    assert (points_in_polygon(points, polygon) == points_in_polygon(points, other)).all()
    assert polygon_area_mm2(other) == pytest.approx(polygon_area_mm2(polygon))


def test_a_crossing_lasso_is_even_odd() -> None:
    bow = [[0, 0], [2, 2], [2, 0], [0, 2]]
    mask = points_in_polygon([[0.2, 1.0], [1.8, 1.0], [1.0, 0.2], [1.0, 1.8]], bow)
    assert mask.tolist() == [True, True, False, False]


def test_missing_positions_lie_in_no_region() -> None:
    square = [[0, 0], [1, 0], [1, 1], [0, 1]]
    assert points_in_polygon([[np.nan, 0.5], [0.5, 0.5]], square).tolist() == [False, True]
    assert points_in_polygon(np.empty((0, 2)), square).shape == (0,)


@pytest.mark.parametrize("bad", [[[0, 0], [1, 1]], [[0, 0], [1, 0], [np.nan, 1]], [0, 1, 2]])
def test_what_is_no_polygon_is_refused(bad: list[object]) -> None:
    with pytest.raises(ValueError, match="polygon must"):
        points_in_polygon([[0.0, 0.0]], bad)  # type: ignore[arg-type]


def test_area_far_from_the_origin_keeps_its_digits() -> None:
    square = np.array([[0, 0], [2, 0], [2, 2], [0, 2]]) + 1e7
    assert polygon_area_mm2(square) == pytest.approx(4e-6, rel=1e-9)


def _table(values: np.ndarray, donors: list[str] | None = None) -> SiteTable:
    n = len(values)
    return SiteTable(
        site=[f"s{i}" for i in range(n)],
        disc=[f"{d}-R" for d in donors] if donors else ["E1-R"] * n,
        donor=donors or ["E1"] * n,
        value=values,
        curves_used=np.full(n, 60),
        curves_total=np.full(n, 64),
    )


def test_counts_at_each_level_and_median_over_sites() -> None:
    values = np.array([1.0, 2, 3, 4, 5, 6, np.nan, 90, 91, 92])
    member = np.arange(10) < 7
    result = compare_regions(["A", "B"], [member, ~member], _table(values), quantity="modulus")
    first, second = result.regions
    assert (first.sites_total, first.sites) == (7, 6)
    assert (first.curves_used, first.curves_total) == (360, 384)
    assert (first.discs, first.donors) == (("E1-R",), ("E1",))
    # Six values: share (0.96875 - 0.95) / 0.1875 = 0.1, weight 5 * 0.1 / (1 + 4 * 0.1).
    assert (first.median.median, first.median.low, first.median.high) == pytest.approx(
        (3.5, 1 + 0.5 / 1.4, 6 - 0.5 / 1.4)
    )
    assert second.sites == 3
    assert "few_sites" in second.flags
    assert "no_interval" in second.flags


def test_more_curves_a_site_change_no_statistic() -> None:
    values = np.random.default_rng(1).normal(size=20)
    member = np.arange(20) < 10
    few = compare_regions(["A", "B"], [member, ~member], _table(values))
    many_table = SiteTable(
        **{
            **vars(_table(values)),
            "curves_used": np.full(20, 4096),
            "curves_total": np.full(20, 4096),
        }
    )
    many = compare_regions(["A", "B"], [member, ~member], many_table)
    assert few.pairs == many.pairs
    assert any("not independent" in sentence for sentence in many.cautions)


def test_one_donor_is_said() -> None:
    values = np.arange(20.0) % 7
    member = np.arange(20) < 10
    pair = compare_regions(["A", "B"], [member, ~member], _table(values)).pairs[0]
    assert "one_donor" in pair.flags
    assert any("one donor (E1)" in sentence for sentence in pair.cautions)
    assert "10 against 10 sites" in pair.tested
    assert "Brunner-Munzel" in pair.tested


def test_donors_that_differ_between_regions_are_said() -> None:
    values = np.random.default_rng(2).normal(size=12)
    donors = ["E1"] * 6 + ["E2"] * 6
    member = np.arange(12) < 6
    pair = compare_regions(["A", "B"], [member, ~member], _table(values, donors)).pairs[0]
    assert {"donors_apart", "donors_mixed", "approximate_p"} <= set(pair.flags)
    assert "one_donor" not in pair.flags


def test_small_sides_are_said_with_their_numbers() -> None:
    values = np.arange(8.0)
    masks = [np.arange(8) < 3, np.arange(8) >= 3]
    pair = compare_regions(["A", "B"], masks, _table(values)).pairs[0]
    assert any("A holds 3 and B 5" in sentence for sentence in pair.cautions)
    assert pair.test.method == "permutation_fully_separated"
    assert "fully separated" in pair.tested


def test_sites_in_both_regions_are_said() -> None:
    values = np.arange(10.0)
    masks = [np.arange(10) < 6, np.arange(10) >= 4]
    pair = compare_regions(["A", "B"], masks, _table(values)).pairs[0]
    assert any("lie in both regions: 2 sites" in sentence for sentence in pair.cautions)


def test_empty_region_has_counts_and_no_numbers() -> None:
    values = np.arange(8.0)
    result = compare_regions(["A", "B"], [np.zeros(8, bool), np.ones(8, bool)], _table(values))
    assert np.isnan(result.regions[0].median.median)
    assert result.pairs[0].test.method == "none"
    assert result.pairs[0].tested.startswith("Not tested")
    assert "no_sites" in result.pairs[0].flags


def test_several_pairs_are_adjusted_and_counted() -> None:
    rng = np.random.default_rng(7)
    values = np.concatenate([rng.normal(mean, 1, 10) for mean in (0, 0.4, 1.5)])
    masks = [np.arange(30) // 10 == k for k in range(3)]
    result = compare_regions(["A", "B", "C"], masks, _table(values))
    p = np.array([pair.test.p for pair in result.pairs])
    holm = np.array([pair.p_holm for pair in result.pairs])
    order = np.argsort(p)
    by_hand = np.minimum(np.maximum.accumulate(p[order] * [3, 2, 1]), 1)
    assert holm[order] == pytest.approx(by_hand)
    assert any("3 pairs" in sentence for sentence in result.cautions)


def test_masks_that_do_not_fit_are_refused() -> None:
    table = _table(np.arange(4.0))
    with pytest.raises(ValueError, match="must differ"):
        compare_regions(["A", "A"], [np.ones(4, bool)] * 2, table)
    with pytest.raises(ValueError, match=r"shape \(4,\), got \(3,\)"):
        compare_regions(["A"], [np.ones(3, bool)], table)
    with pytest.raises(ValueError, match="one mask a region"):
        compare_regions(["A"], [], table)
    with pytest.raises(ValueError, match="of one length"):
        SiteTable([], [], [], np.arange(2.0), np.zeros(2, int), np.zeros(2, int))


def test_cells_are_counted_by_pattern() -> None:
    square = [[0, 0], [1000, 0], [1000, 1000], [0, 1000]]
    result = count_cells(np.array([1, 1, 1, 1, 0], bool), np.array([0, 0, 3, -1, 4]), square)
    assert result.counts.tolist() == [2, 0, 0, 1, 0]
    assert result.fractions == pytest.approx([2 / 3, 0, 0, 1 / 3, 0])
    assert (result.cells, result.density_per_mm2) == (4, pytest.approx(4))
    assert np.isnan(count_cells(np.zeros(2, bool), np.zeros(2, int), square).fractions).all()


def test_nearest_partner_and_its_distance() -> None:
    join = nearest_join([[0, 0], [500, 0]], [[30, 40], [0, 90]], max_distance_um=60)
    assert join.index.tolist() == [0, -1]
    assert join.distance_um == pytest.approx([50, np.hypot(470, 40)])
    assert nearest_join([[0, 0]], []).index.tolist() == [-1]
    with pytest.raises(ValueError, match="max_distance_um must be > 0"):
        nearest_join([[0, 0]], [[1, 1]], 0)
    with pytest.raises(ValueError, match="must be finite"):
        nearest_join([[np.nan, 0]], [[1, 1]])


def test_window_is_square_and_includes_its_edge() -> None:
    found = within_window([[0, 0], [1000, 1000]], [[50, 50], [50.1, 0], [-10, 20]], 100)
    assert [row.tolist() for row in found] == [[0, 2], []]
    assert [row.tolist() for row in within_window([[0, 0]], [], 10)] == [[]]


def test_flags_have_unique_names_and_sentences() -> None:
    assert len({flag.name for flag in FLAGS}) == len(FLAGS)
    assert all(flag.sentence.endswith(".") for flag in FLAGS)


def test_settings_describe_themselves_and_refuse_nonsense() -> None:
    for field in AcrossSettings.model_fields.values():
        assert field.description
    with pytest.raises(ValueError, match=r"less than or equal to 0\.999"):
        AcrossSettings(level=95)
    with pytest.raises(ValueError, match="Extra inputs"):
        AcrossSettings(levle=0.9)  # type: ignore[call-arg]
