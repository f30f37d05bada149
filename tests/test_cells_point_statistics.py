"""Point statistics against values from outside the project, and in windows of any shape."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from engine.cells import (
    clark_evans,
    density,
    grade_groups,
    l_envelope,
    nearest_distribution,
    neighbour_graph,
    orientation_field,
    pair_correlation,
    region_window,
    ripley_k,
    ripley_l,
)
from engine.cells.settings import CellsSettings, ConfidenceSettings

REFERENCE = Path(__file__).parent / "reference"
NEAREST = pd.read_csv(REFERENCE / "clark_evans_reference.csv", skipinitialspace=True)
RIPLEY = pd.read_csv(REFERENCE / "ripley_reference.csv", skipinitialspace=True)
PAIRS = pd.read_csv(REFERENCE / "pcf_reference.csv", skipinitialspace=True)
HELD = [s for s in NEAREST["set"] if (REFERENCE / f"points_{s}.csv").exists()]
COLUMNS = {
    "none": "K_un",
    "border": "K_border",
    "translation": "K_trans",
    "isotropic": "K_iso",
}


def classic(name):
    """Points, their window as a polygon, and the row of reference values."""
    row = NEAREST[NEAREST["set"] == name].iloc[0]
    xy = pd.read_csv(REFERENCE / f"points_{name}.csv", skipinitialspace=True)[["x", "y"]]
    x0, x1, y0, y1 = row[["xmin", "xmax", "ymin", "ymax"]].astype(float)
    return xy.to_numpy(), region_window(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])), row


def trefoil(size=400.0):
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    r = size * (1 + 0.25 * np.cos(3 * t))
    return region_window(np.column_stack([r * np.cos(t), r * np.sin(t)]))


@pytest.mark.parametrize("name", HELD)
def test_clark_evans_on_classic_sets(name):
    xy, window, row = classic(name)
    result = clark_evans(xy, window)
    assert result.cells == row["n"]
    assert window.area == pytest.approx(row["area"], rel=1e-12)
    assert window.perimeter == pytest.approx(row["perimeter"], rel=1e-12)
    assert result.ratio == pytest.approx(row["R_naive"], rel=1e-12)
    assert result.ratio_corrected == pytest.approx(row["R_donnelly"], rel=1e-12)
    assert result.nearest.mean() == pytest.approx(row["nn1_mean"], rel=1e-12)
    assert np.median(result.nearest) == pytest.approx(row["nn1_median"], rel=1e-12)


@pytest.mark.parametrize("correction", COLUMNS)
@pytest.mark.parametrize("name", sorted(set(RIPLEY["set"])))
def test_ripley_on_classic_sets(name, correction):
    xy, window, _ = classic(name)
    expected = RIPLEY[RIPLEY["set"] == name]
    radii = expected["r"].to_numpy()
    k = ripley_k(xy, radii, window, correction)
    np.testing.assert_allclose(k, expected[COLUMNS[correction]], rtol=1e-9, atol=1e-12)
    if correction == "isotropic":
        l_values = ripley_l(xy, radii, window)
        np.testing.assert_allclose(l_values, expected["L_iso"], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    ("correction", "column"), [("translation", "trans_divd"), ("isotropic", "iso_divd")]
)
@pytest.mark.parametrize("name", sorted(set(PAIRS["set"])))
def test_pair_correlation_on_classic_sets(name, correction, column):
    xy, window, _ = classic(name)
    expected = PAIRS[PAIRS["set"] == name]
    result = pair_correlation(xy, expected["r"].to_numpy(), window, correction)
    assert result.bandwidth == pytest.approx(expected["h_epan"].iloc[0], rel=1e-9)
    # the outside program bins distances on a grid
    np.testing.assert_allclose(result.g, expected[column], rtol=5e-3, atol=1e-9)


@pytest.mark.parametrize("correction", ["border", "translation", "isotropic"])
def test_corrections_are_unbiased_in_any_window(correction):
    window, rng = trefoil(), np.random.default_rng(0)
    radii = np.array([30.0, 60.0, 90.0])
    k = [ripley_k(window.scatter(120, rng), radii, window, correction) for _ in range(60)]
    np.testing.assert_allclose(np.mean(k, axis=0), np.pi * radii**2, rtol=0.05)
    without = [ripley_k(window.scatter(120, rng), radii, window, "none") for _ in range(20)]
    assert np.mean(without, axis=0)[2] < 0.93 * np.pi * radii[2] ** 2


def test_donnelly_holds_in_any_window():
    window, rng = trefoil(), np.random.default_rng(1)
    results = [clark_evans(window.scatter(70, rng), window) for _ in range(400)]
    z = np.array([r.z for r in results])
    assert abs(z.mean()) < 0.15
    assert z.std() == pytest.approx(1.0, abs=0.12)
    # without the correction such windows look regular
    assert np.mean([r.ratio for r in results]) > 1.04


def test_circle_shares_by_hand():
    square = region_window(np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]]))
    centre = np.array([[0.5, 0.5], [0.0, 0.0], [0.5, 0.0], [0.5, 0.5], [0.5, 0.5], [0.2, 0.5]])
    radius = np.array([0.4, 0.5, 0.25, 0.5, 0.8, 0.2])
    share = square.circle_share(centre, radius)
    np.testing.assert_allclose(share, [1.0, 0.25, 0.5, 1.0, 0.0, 1.0], atol=1e-12)


def test_overlap_of_a_polygon_is_its_set_covariance():
    window, rng = trefoil(100.0), np.random.default_rng(2)
    shift = np.array([[0.0, 0], [30, 10], [-40, 25], [500, 0]])
    points = window.scatter(40000, rng)
    share = [window.holds(points + s).mean() * window.area for s in shift]
    np.testing.assert_allclose(window.overlap(shift), share, atol=0.01 * window.area)


def test_a_window_that_crosses_itself_is_two_triangles():
    bow = region_window(np.array([[0.0, 0], [2, 2], [2, 0], [0, 2]]))
    assert bow.area == pytest.approx(2.0)
    np.testing.assert_array_equal(
        bow.holds(np.array([[0.2, 1.0], [1.8, 1.0], [1.0, 0.2]])), [True, True, False]
    )


def test_density_and_its_interval():
    window = region_window(np.array([[0.0, 0], [1000, 0], [1000, 500], [0, 500]]))
    rng = np.random.default_rng(3)
    result = density(window.scatter(10, rng), window)
    # exact Poisson limits for 10 events, tabulated: 4.795 and 18.39 (Garwood 1936, from memory)
    assert result.per_mm2 == pytest.approx(20.0)
    assert result.low_per_mm2 == pytest.approx(2 * 4.795, rel=1e-3)
    assert result.high_per_mm2 == pytest.approx(2 * 18.39, rel=1e-3)
    hit = 0
    for _ in range(300):
        d = density(window.scatter(rng.poisson(12), rng), window)
        hit += d.low_per_mm2 <= 24.0 <= d.high_per_mm2
    assert hit / 300 >= 0.94


def test_nearest_distribution_is_that_of_no_order():
    window, rng = trefoil(), np.random.default_rng(4)
    radii = np.array([10.0, 20.0, 35.0])
    rate = 150 / window.area
    seen = [nearest_distribution(window.scatter(150, rng), window, radii) for _ in range(60)]
    np.testing.assert_allclose(
        np.mean(seen, axis=0), 1 - np.exp(-rate * np.pi * radii**2), atol=0.02
    )


def test_envelopes_part_clusters_and_grids_from_no_order():
    window, rng = trefoil(), np.random.default_rng(5)
    radii = np.linspace(5, 60, 12)
    parents = window.scatter(15, rng)
    clusters = (parents[:, None] + rng.normal(0, 12, (15, 8, 2))).reshape(-1, 2)
    grid = np.array([(x, y) for x in range(-480, 481, 50) for y in range(-480, 481, 50)], float)
    tight = l_envelope(clusters, radii, window, simulations=39, seed=1)
    even = l_envelope(grid, radii, window, simulations=39, seed=1)
    assert (tight.observed > tight.high)[2:].all()
    assert (even.observed < even.low)[3:8].all()
    assert tight.p == even.p == pytest.approx(1 / 40)


def test_envelope_tests_hold_their_level():
    window, rng = trefoil(), np.random.default_rng(6)
    radii = np.linspace(10, 60, 6)
    p = [
        l_envelope(window.scatter(40, rng), radii, window, simulations=19, seed=s).p
        for s in range(120)
    ]
    assert np.mean(np.array(p) <= 0.1) == pytest.approx(0.1, abs=0.08)


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_cells_give_no_number(count):
    window = trefoil()
    xy = np.zeros((count, 2))
    radii = np.array([10.0])
    assert np.isnan(clark_evans(xy, window).ratio_corrected)
    assert np.isnan(ripley_k(xy, radii, window)).all()
    assert np.isnan(pair_correlation(xy, radii, window).g).all()
    assert np.isnan(nearest_distribution(xy, window, radii)).all()
    assert density(xy, window).cells == count


def test_cells_outside_the_window_do_not_count():
    window, rng = trefoil(), np.random.default_rng(7)
    xy = window.scatter(60, rng)
    more = np.vstack([xy, [[5000.0, 0]], [[0, -9000.0]]])
    assert clark_evans(more, window).ratio == clark_evans(xy, window).ratio
    np.testing.assert_array_equal(
        ripley_k(more, np.array([50.0]), window), ripley_k(xy, np.array([50.0]), window)
    )


@pytest.mark.parametrize(
    "corners", [np.zeros((2, 2)), np.zeros((4, 2)), np.array([[0.0, 0], [1, 1], [np.inf, 0]])]
)
def test_windows_without_area_are_refused(corners):
    with pytest.raises(ValueError, match="must"):
        region_window(corners)


def test_border_correction_of_the_pair_correlation_is_refused():
    with pytest.raises(ValueError, match="border"):
        pair_correlation(np.zeros((3, 2)), np.array([1.0]), trefoil(), "border")


def test_strings_along_a_known_direction():
    a = np.radians(35.0)
    file = np.arange(8)[:, None] * 10.0 * np.array([np.cos(a), -np.sin(a)])
    xy = np.vstack([file + np.array([100.0 * i, 60.0 * j]) for i in range(4) for j in range(3)])
    quick = CellsSettings(confidence=ConfidenceSettings(replicates=0))
    grades = grade_groups(xy, neighbour_graph(xy, quick), quick)
    field = orientation_field(np.array([xy.mean(axis=0), [9000.0, 0.0]]), grades)
    assert field.angle_deg[0] == pytest.approx(35.0, abs=1e-6)
    assert field.order[0] == pytest.approx(1.0)
    assert np.isnan(field.angle_deg[1])
    assert field.support_cells[1] < 1e-6


def test_nearest_distances_by_brute_force():
    xy, window, _ = classic("hamster")
    every = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    np.fill_diagonal(every, np.inf)
    np.testing.assert_allclose(clark_evans(xy, window).nearest, every.min(axis=1))
