"""Profiles along drawn lines and the bands on them; where the bands of traced fibrils lie."""

import numpy as np
import pytest
from test_collagen_banding import corrugated

from engine.collagen import analyse_height, profile_along

PIXEL = (8.0, 8.0)


def plane(size=(80, 100), pixel=(5.0, 8.0)):
    v, u = np.indices(size, dtype=float)
    u = (u - (size[1] - 1) / 2) * pixel[0]
    v = (v - (size[0] - 1) / 2) * pixel[1]
    return 0.3 * u - 0.2 * v + 7.0


def test_heights_of_a_plane_are_exact_along_a_bent_line():
    path = np.array([[-120.0, -60.0], [-120.0, -60.0], [80.0, 90.0], [150.0, -40.0]])
    found = profile_along(plane(), (5.0, 8.0), path, width_nm=30.0)
    legs = np.hypot(200.0, 150.0) + np.hypot(70.0, 130.0)
    assert found.distance_nm[-1] == pytest.approx(legs)
    assert np.allclose(np.diff(found.distance_nm), found.distance_nm[1])
    assert np.allclose(found.height_nm, 0.3 * found.u_nm - 0.2 * found.v_nm + 7.0, atol=1e-9)
    first_leg = found.distance_nm < 240.0
    # Across the first leg, (-3, 4) / 5, the plane rises by -0.34 a nanometre.
    assert np.allclose(found.spread_nm[first_leg], 0.34 * 30.0 * np.std((np.arange(13) + 0.5) / 13))
    assert (found.u_nm[0], found.v_nm[0]) == (-120.0, -60.0)
    assert (found.u_nm[-1], found.v_nm[-1]) == pytest.approx((150.0, -40.0))


def test_mean_across_is_the_integral_of_a_wave():
    v = (np.arange(300) - 149.5)[:, None] * 2.0 + np.zeros(300)
    width, wave = 40.0, 130.0
    found = profile_along(
        np.cos(2 * np.pi * v / wave), (2.0, 2.0), [[-100.0, 0.0], [100.0, 0.0]], width
    )
    expected = np.sin(np.pi * width / wave) / (np.pi * width / wave)
    assert np.allclose(found.height_nm, expected, atol=0.002)


def test_holes_and_what_lies_beyond_are_gaps():
    height = plane()
    height[:, 45:50] = np.nan
    found = profile_along(height, (5.0, 8.0), [[-400.0, 0.0], [200.0, 0.0]])
    known = np.isfinite(found.height_nm)
    assert not known[found.u_nm < -251.0].any()
    assert not known[(found.u_nm > -24.0) & (found.u_nm < -1.0)].any()
    assert known[(found.u_nm > 3.0)].all()
    wide = profile_along(height, (5.0, 8.0), [[-30.0, -200.0], [-30.0, 200.0]], 20.0)
    assert np.isfinite(wide.height_nm).all()  # the half of the width that has data


@pytest.mark.parametrize(("angle", "ridge"), [(0.0, 0), (30.0, 0), (90.0, -4)])
def test_bands_along_a_cylinder(angle, ridge):
    height = corrugated(67.0, angle_deg=angle, size=(160, 160))
    turn = np.radians(angle)
    centre = 0.5 * 159 * 8.0
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    start, stop = ((120.0 * ridge + 60.0) * across + s * along - centre for s in (260.0, 860.0))
    found = profile_along(height, PIXEL, [start, stop], 16.0)
    assert found.period_nm == pytest.approx(67.0, abs=2.0)
    assert abs(found.period_nm - 67.0) < 3.0 * found.period_se_nm
    assert found.amplitude_nm == pytest.approx(2.5, rel=0.12)
    assert found.ratio > found.ratio_needed
    away = (found.band_nm + 260.0 + 67.0 * ridge / np.pi) % 67.0
    assert np.all(np.minimum(away, 67.0 - away) < 6.0)
    assert len(found.band_nm) == pytest.approx(9, abs=1)


def test_period_is_measured_along_the_slope():
    up = corrugated(67.0, 0.4, size=(160, 160), angle_deg=0.0)
    found = profile_along(up, PIXEL, [[-500.0, -576.0], [500.0, -576.0]], 16.0)
    assert found.period_nm == pytest.approx(67.0, abs=1.5)
    assert found.space_nm[-1] == pytest.approx(1000.0 * np.hypot(1, 0.4), rel=0.01)
    assert np.median(np.diff(found.band_nm)) == pytest.approx(67.0 / np.hypot(1, 0.4), abs=1.5)


def test_noise_seldom_has_a_period():
    rng = np.random.default_rng(11)
    lines = [rng.uniform(-700.0, 700.0, (2, 2)) for _ in range(200)]
    height = rng.normal(size=(200, 200))
    found = [profile_along(height, PIXEL, line, 20.0) for line in lines]
    asked = [f for f in found if f.resolvable]
    assert len(asked) > 150
    assert np.mean([np.isfinite(f.period_nm) for f in asked]) <= 0.03
    assert all(f.resolvable == (f.distance_nm[-1] > 220.0) or f.space_nm[-1] > 220.0 for f in found)


def test_coarse_pixels_and_short_lines_are_not_asked():
    height = corrugated(67.0)
    coarse = profile_along(height, (39.0, 39.0), [[-2000.0, 0.0], [2000.0, 0.0]])
    short = profile_along(height, PIXEL, [[0.0, 0.0], [150.0, 0.0]])
    for found in (coarse, short):
        assert not found.resolvable
        assert np.isnan(found.period_nm)
        assert found.band_nm.size == found.power.size == 0


@pytest.mark.parametrize(
    ("height", "path", "width", "words"),
    [
        (np.zeros(5), [[0, 0], [1, 1]], 0.0, "height_nm"),
        (np.zeros((5, 5)), [[0, 0]], 0.0, "path_nm"),
        (np.zeros((5, 5)), [[0, 0], [np.nan, 1]], 0.0, "path_nm"),
        (np.zeros((5, 5)), [[2, 2], [2, 2]], 0.0, "two different points"),
        (np.zeros((5, 5)), [[0, 0], [1, 1]], -1.0, "width_nm"),
    ],
)
def test_impossible_lines_are_refused(height, path, width, words):
    with pytest.raises(ValueError, match=words):
        profile_along(height, PIXEL, path, width)


def test_marks_lie_on_the_crests_of_the_bands():
    size, angle = (150, 150), np.radians(30.0)
    result = analyse_height(corrugated(67.0, size=size), PIXEL, None)
    marks, banding = result.banding.marks, result.banding
    assert len(marks.u_nm) > 40
    u, v = marks.u_nm + 0.5 * 149 * 8.0, marks.v_nm + 0.5 * 149 * 8.0
    along = np.cos(angle) * u + np.sin(angle) * v
    ridge = np.floor((-np.sin(angle) * u + np.cos(angle) * v) / 120.0)
    phase = (along + 2.0 * ridge * 67.0 / (2 * np.pi) + 33.5) % 67.0 - 33.5
    assert np.median(np.abs(phase)) < 3.0
    assert np.quantile(np.abs(phase), 0.95) < 10.0
    # Each mark goes across its fibril, and both ends of it lie on it.
    assert np.allclose(np.hypot(marks.across_u, marks.across_v), 1.0)
    lean = marks.across_u * np.cos(angle) + marks.across_v * np.sin(angle)
    assert np.quantile(np.abs(lean), 0.95) < 0.1
    assert np.median(marks.width_nm) == pytest.approx(100.0, rel=0.08)
    assert banding.amplitude_nm == pytest.approx(2.5, rel=0.15)
    shown = np.isfinite(banding.piece_amplitude_nm)
    assert np.array_equal(shown, np.isfinite(result.fibrils.band_period_nm))
    assert set(marks.piece) <= set(np.flatnonzero(shown))


def test_no_bands_no_marks():
    result = analyse_height(np.random.default_rng(3).normal(size=(120, 120)), PIXEL, None)
    assert len(result.banding.marks.u_nm) == 0
    assert np.isnan(result.banding.amplitude_nm)
    assert len(result.banding.piece_amplitude_nm) == len(result.fibrils.length_nm)
