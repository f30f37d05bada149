"""Fields over the disc: closed forms, other libraries, support, the border of the tissue."""

import numpy as np
import pytest
from scipy.stats import gaussian_kde, norm
from shapely import Point

from engine.cells import cell_fields, region_window
from engine.cells.fields_settings import FieldSettings

SQUARE = region_window(np.array([(0.0, 0.0), (1000, 0), (1000, 800), (0, 800)]))
FINE = FieldSettings(bandwidth_um=50.0, pixel_um=10.0)


def even(spacing=10.0, width=1000.0, height=800.0):
    x, y = np.meshgrid(
        np.arange(spacing / 2, width, spacing), np.arange(spacing / 2, height, spacing)
    )
    return np.column_stack([x.ravel(), y.ravel()])


def fields(xy, pattern=None, angle=None, window=SQUARE, settings=FINE):
    n = len(xy)
    pattern = np.zeros(n, np.int64) if pattern is None else pattern
    return cell_fields(xy, pattern, np.full(n, 30.0) if angle is None else angle, window, settings)


def centres(f):
    rows, cols = f.density_per_mm2.shape
    return (
        f.origin_x_um + f.pixel_um * np.arange(cols),
        f.origin_y_um + f.pixel_um * np.arange(rows),
    )


def test_an_even_pattern_has_one_density_up_to_the_border():
    f = fields(even())
    np.testing.assert_allclose(f.density_per_mm2, 1e4, rtol=0.01)
    # without the border's correction a corner holds a quarter
    np.testing.assert_allclose((f.density_per_mm2 * f.inside)[0, 0], 0.25e4, rtol=0.2)


def test_the_whole_holds_as_many_cells_as_there_are():
    f = fields(even())
    assert f.density_per_mm2.sum() * 1e-6 * f.pixel_um**2 == pytest.approx(len(even()), rel=0.005)


def test_share_of_the_kernel_inside_is_the_normal_distribution_at_a_straight_border():
    f = fields(even())
    x, y = centres(f)
    across = norm.cdf(x / 50) - norm.cdf((x - 1000) / 50)
    down = norm.cdf(y / 50) - norm.cdf((y - 800) / 50)
    np.testing.assert_allclose(f.inside, down[:, None] * across[None, :], atol=2e-3)


def test_density_far_from_the_border_is_scipys_estimate():
    rng = np.random.default_rng(1)
    xy = rng.normal((500, 400), (70, 50), (300, 2))
    f = fields(xy)
    x, y = centres(f)
    kde = gaussian_kde(xy.T)
    kde.set_bandwidth(1.0)
    kde.covariance = np.eye(2) * 50.0**2
    points = np.array([(x[c], y[r]) for r in (30, 40, 50) for c in (40, 50, 60)]).T
    z = (points[:, :, None] - xy.T[:, None, :]) / 50.0
    direct = np.exp(-0.5 * (z**2).sum(axis=0)).sum(axis=1) / (2 * np.pi * 50.0**2) * 1e6
    ours = [f.density_per_mm2[r, c] for r in (30, 40, 50) for c in (40, 50, 60)]
    np.testing.assert_allclose(ours, direct, rtol=0.01)
    # and by another library, whose kernel is scaled by the data's own covariance
    whitened = gaussian_kde(xy.T, bw_method=lambda _: 50.0 / 70.0)
    assert np.corrcoef(whitened(points), ours)[0, 1] > 0.98


def test_index_is_the_kernel_mean_of_the_patterns():
    xy = even(20.0)
    pattern = np.where(xy[:, 0] < 500, 0, 4)
    f = fields(xy, pattern)
    x, _ = centres(f)
    expected = 4 * norm.cdf((x - 500) / 50)
    middle = (x > 200) & (x < 800)
    np.testing.assert_allclose(f.pattern_index[40, middle], expected[middle], atol=0.05)
    assert f.pattern_index[40, 2] == pytest.approx(0.0, abs=1e-6)


def test_direction_is_the_mean_of_axes_without_heads():
    xy = even(20.0)
    f = fields(xy, angle=np.where(np.arange(len(xy)) % 2, 5.0, 175.0))
    away = np.minimum(f.angle_deg, 180 - f.angle_deg)
    np.testing.assert_allclose(away[5:-5, 5:-5], 0.0, atol=0.5)
    np.testing.assert_allclose(f.order[5:-5, 5:-5], np.cos(np.radians(10.0)), atol=1e-3)


def test_crossed_strings_have_no_order():
    xy = even(10.0)
    angle = np.where((np.arange(100)[None, :] + np.arange(80)[:, None]) % 2, 0.0, 90.0).ravel()
    assert fields(xy, angle=angle).order[40, 50] < 0.01


def test_only_strings_speak_of_direction():
    xy = even(20.0)
    f = fields(xy, np.full(len(xy), 3))
    assert np.isnan(f.angle_deg).all()
    assert np.isnan(f.order).all()
    np.testing.assert_allclose(f.pattern_index, 3.0)


def test_nothing_is_said_without_support_or_off_the_tissue():
    ring = np.array(Point(500, 400).buffer(300).exterior.coords)[:-1]
    xy = even(20.0)
    f = fields(xy[xy[:, 0] < 450], window=region_window(ring))
    x, y = centres(f)
    off = np.hypot(x[None, :] - 500, y[:, None] - 400) > 310
    assert np.isnan(f.density_per_mm2[off]).all()
    assert np.isnan(f.pattern_index[:, x > 650]).all()
    right = (x > 650) & (x < 780)
    assert np.nanmax(f.density_per_mm2[:, right]) < 1.0
    assert np.isfinite(f.density_per_mm2[np.argmin(np.abs(y - 400)), right]).all()


def test_support_counts_cells_by_their_weight():
    f = fields(np.array([[505.0, 405.0]]))
    assert f.support_cells.max() == pytest.approx(1.0, rel=0.01)
    # the mean weight over a plane of cells is the kernel's area
    assert fields(even(20.0)).support_cells[40, 50] == pytest.approx(
        2 * np.pi * 2500 / 400, rel=0.01
    )


def test_values_at_points_lie_between_pixels():
    xy = even(20.0)
    f = fields(xy, np.where(xy[:, 0] < 500, 0, 4))
    x, y = centres(f)
    between = f.at("pattern_index", np.array([[(x[48] + x[49]) / 2, y[40]], [-500.0, 0.0]]))
    assert between[0] == pytest.approx(f.pattern_index[40, 48:50].mean())
    assert np.isnan(between[1])


def test_no_cells_give_an_empty_disc():
    f = fields(np.empty((0, 2)))
    assert np.nanmax(f.density_per_mm2) == 0
    assert np.isnan(f.pattern_index).all()


def test_lengths_must_agree():
    with pytest.raises(ValueError, match="3 cells, 2 patterns"):
        cell_fields(np.zeros((3, 2)), np.zeros(2, np.int64), np.zeros(3), SQUARE)
