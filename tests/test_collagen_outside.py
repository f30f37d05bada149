"""Height images against other libraries' primitives and the closed forms not used elsewhere."""

import numpy as np
import pytest
from scipy import ndimage
from skimage import feature, measure

from engine.collagen import CollagenSettings, ImageTip, erode, profile_along
from engine.collagen.areal_filter import ALPHA, _weights
from engine.collagen.ridges import find_ridges
from engine.collagen.texture import _lobe_radius, hybrid_parameters

TIP = ImageTip("paraboloid", 10.0)


def test_profile_along_a_line_is_that_of_scikit_image():
    height = ndimage.gaussian_filter(np.random.default_rng(2).normal(size=(120, 150)), 5.0) * 100
    # Theirs goes by rows and columns, in pixels, and averages over whole pixels across.
    other = measure.profile_line(height, (20, 15), (95, 115), linewidth=5, order=3, mode="nearest")
    pixel = 4.0
    ends = np.array([[15 - 74.5, 20 - 59.5], [115 - 74.5, 95 - 59.5]]) * pixel
    found = profile_along(height, (pixel, pixel), ends, width_nm=5 * pixel)
    at = np.arange(len(other)) * pixel
    ours = np.interp(at, found.distance_nm, found.height_nm)[:-1]
    assert ours == pytest.approx(other[:-1], abs=0.02 * height.std())


def test_ridge_curvature_is_the_hessian_of_scikit_image():
    height = ndimage.gaussian_filter(np.random.default_rng(4).normal(size=(90, 90)), 4.0) * 50
    one = CollagenSettings(
        trace_min_nm=80.0, trace_max_nm=80.0, trace_scales=1, trace_smooth_px=0.0
    )
    ours = find_ridges(height, (8.0, 8.0), one).strength[15:-15, 15:-15]
    sigma = 0.3 * 80.0 / 8.0
    hessian = feature.hessian_matrix(height, sigma=sigma, use_gaussian_derivatives=True)
    high, low = feature.hessian_matrix_eigvals(hessian) / 8.0**2
    other = ((-low - np.abs(high)) * 40.0)[15:-15, 15:-15]
    assert np.corrcoef(ours.ravel(), other.ravel())[0, 1] > 0.999
    assert np.std(ours - other) < 0.03 * np.std(other)


def test_erosion_is_the_grey_erosion_of_scipy():
    height = ndimage.gaussian_filter(np.random.default_rng(5).normal(size=(60, 70)), 2.0) * 60
    v, u = np.indices((21, 21)) - 10.0
    probe = -(u**2 + v**2) * 6.0**2 / (2 * TIP.radius_nm)
    other = ndimage.grey_erosion(height, structure=probe, mode="constant", cval=np.inf)
    ours = erode(height, (6.0, 6.0), TIP, depth_nm=10_000.0)
    assert ours == pytest.approx(other, abs=1e-9)
    # Touching between pixels can only take more away, and next to nothing of a smooth surface.
    between = erode(height, (6.0, 6.0), TIP, 10_000.0, between=True)
    assert (between <= ours + 1e-12).all()
    grid = np.indices((59 * 4 + 1, 69 * 4 + 1)) / 4.0
    exact = erode(ndimage.map_coordinates(height, grid, order=3), (1.5, 1.5), TIP, 10_000.0)
    off, off_between = (np.abs(z - exact[::4, ::4])[8:-8, 8:-8].mean() for z in (ours, between))
    assert off_between < 0.6 * off


def test_developed_area_is_that_of_the_triangulated_surface():
    height = ndimage.gaussian_filter(np.random.default_rng(6).normal(size=(200, 200)), 6.0) * 300
    pixel = (5.0, 5.0)
    v, u = (a.ravel() for a in np.indices(height.shape))
    points = np.column_stack([u * pixel[0], v * pixel[1], height.ravel()])
    k = np.arange(height.size).reshape(height.shape)
    a, b, c, d = (part.ravel() for part in (k[:-1, :-1], k[:-1, 1:], k[1:, :-1], k[1:, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([b, d, c])])
    area = measure.mesh_surface_area(points, faces)
    expected = 100.0 * (area / (199**2 * pixel[0] * pixel[1]) - 1.0)
    assert hybrid_parameters(height, pixel)["Sdr_pct"] == pytest.approx(expected, rel=0.03)


def test_developed_area_of_a_spherical_cap():
    # Closed form: a cap of height h of a sphere R has the area 2 pi R h over pi (2 R h - h^2).
    radius, cap, pixel = 400.0, 120.0, 2.0
    v, u = (np.indices((401, 401)) - 200.0) * pixel
    r2 = u**2 + v**2
    top = np.sqrt(np.maximum(radius**2 - r2, 0.0)) - (radius - cap)
    z = np.maximum(top, 0.0)
    over = np.pi * (2 * radius * cap - cap**2)
    expected = 100.0 * (2 * np.pi * radius * cap - over) / ((401 - 6) * pixel) ** 2
    assert hybrid_parameters(z, (pixel, pixel))["Sdr_pct"] == pytest.approx(expected, rel=0.02)


def test_lengths_of_known_autocorrelations():
    # Closed forms: exp(-t / x) falls to 0.2 at x ln 5, exp(-(t / x)^2) at x sqrt(ln 5).
    v, u = (np.indices((401, 401)) - 200.0) * 2.0
    length = 40.0
    plain = _lobe_radius(np.exp(-np.hypot(u, v) / length), (2.0, 2.0), 0.2)
    assert plain == pytest.approx(1.609437912434 * length, rel=1e-3)
    smooth = _lobe_radius(np.exp(-(u**2 + v**2) / length**2), (2.0, 2.0), 0.2)
    assert smooth == pytest.approx(1.268636241180 * length, rel=1e-4)
    lay = _lobe_radius(np.exp(-((u / length) ** 2) - (v / (3 * length)) ** 2), (2.0, 2.0), 0.2)
    assert lay.min() == pytest.approx(1.268636241180 * length, rel=1e-4)
    assert lay.min() / lay.max() == pytest.approx(1 / 3, rel=1e-4)


def test_the_gaussian_is_cut_where_next_to_nothing_is_left():
    # ISO 16610-61: within one nesting index lie 0.9999999 of the weights (closed form, erf).
    reach = 40
    x = np.arange(-4 * reach, 4 * reach + 1) / (ALPHA * reach)
    whole = np.exp(-np.pi * x * x)
    inside = whole[3 * reach : -3 * reach].sum() / whole.sum()
    assert inside == pytest.approx(0.9999999052140505, abs=5e-8)
    assert _weights(float(reach), 1000) == pytest.approx(
        whole[3 * reach : -3 * reach] / whole[3 * reach : -3 * reach].sum(), rel=1e-12
    )
    spread = np.sqrt(np.sum(whole * (x * ALPHA * reach) ** 2) / whole.sum())
    assert spread / reach == pytest.approx(0.1873906251292776, rel=1e-6)
