import numpy as np
import pytest
from scipy import ndimage

from engine.collagen import CollagenSettings, analyse_height, level
from engine.collagen.levelling import jitter_level, row_jitter, subtract_polynomial
from engine.collagen.ridges import fill_missing

PLANE = CollagenSettings(levelling=("plane",))


def relief(seed=0, size=(200, 240)):
    rng = np.random.default_rng(seed)
    rough = ndimage.gaussian_filter(rng.normal(size=size), 4.0)
    return 50.0 * rough / rough.std()


def test_cosine_of_whole_periods_loses_nothing_to_the_plane():
    # A sine of k periods would: its least-squares slope is -6 / (pi k) (reference README).
    u = (np.arange(512) + 0.5) / 512
    wave = np.broadcast_to(np.cos(2 * np.pi * 3 * u), (64, 512))
    found = level(wave + 5.0 * u + 2.0, PLANE)
    assert found.Sq_plane_nm == pytest.approx(0.5**0.5, rel=1e-9)
    sine = np.broadcast_to(np.sin(2 * np.pi * 3 * u), (64, 512))
    lost = 0.5 - (6 / (np.pi * 3)) ** 2 / 12
    assert level(sine, PLANE).Sq_plane_nm == pytest.approx(lost**0.5, rel=1e-3)


def test_plane_is_taken_out_exactly_with_holes_and_huge_offsets():
    v, u = np.indices((60, 90), dtype=float)
    height = 3e5 + 7.0 * u - 11.0 * v
    height[10:30, 40:70] = np.nan
    height[50] = np.nan
    found = level(height, PLANE)
    assert np.nanmax(np.abs(found.height_nm)) < 1e-6
    np.testing.assert_array_equal(np.isnan(found.height_nm), np.isnan(height))


def test_quadratic_is_least_squares():
    v, u = np.indices((40, 50), dtype=float)
    bow = 0.1 * u**2 - 0.05 * u * v + 0.2 * v**2 + u
    assert np.abs(subtract_polynomial(bow, 2)).max() < 1e-8
    rough = relief(1, (40, 50))
    columns = [np.ones_like(u), u, v, u * u, u * v, v * v]
    design = np.column_stack([c.ravel() for c in columns])
    weight = np.linalg.lstsq(design, rough.ravel(), rcond=None)[0]
    expected = rough - (design @ weight).reshape(rough.shape)
    np.testing.assert_allclose(subtract_polynomial(rough, 2), expected, atol=1e-8)


def test_row_jitter_is_found_and_taken_out():
    rng = np.random.default_rng(2)
    smooth = relief(2)
    jitter = rng.normal(0, 2.0, size=len(smooth))
    found = level(smooth + jitter[:, None], CollagenSettings())
    assert found.steps == ("plane", "row_jitter")
    left = (found.height_nm - smooth).mean(axis=1)
    left -= ndimage.gaussian_filter1d(left, 2.0)  # slower offsets are kept on purpose
    assert left.std() < 0.25 * jitter.std()
    assert found.jitter_share == pytest.approx(4.0 / 2500.0, rel=0.3)


def test_relief_without_jitter_is_left_alone():
    found = level(relief(3), CollagenSettings())
    assert found.steps == ("plane",)
    assert not found.jitter_nm.any()


def test_fibrils_along_the_rows_are_not_taken_for_jitter():
    v = np.arange(256) * 8.0
    one = np.sqrt(np.maximum(0.0, 40.0**2 - (v - 1000.0) ** 2))
    file = np.sqrt(np.maximum(0.0, 30.0**2 - (v % 60.0 - 30.0) ** 2))
    for section in (one, file):
        height = np.repeat(section[:, None], 200, axis=1)
        assert level(height, CollagenSettings()).steps == ("plane",)


def test_jitter_of_independent_rows_is_told_by_its_sign_change():
    noise = np.random.default_rng(4).normal(size=(400, 1)) + np.zeros((1, 50))
    size, next_row = jitter_level(noise)
    assert size == pytest.approx(np.sqrt(20) / 3, rel=0.15)  # norm of (1, -3, 3, -1) / 3
    assert next_row == pytest.approx(-0.75, abs=0.06)
    walk = np.cumsum(noise, axis=0)
    assert jitter_level(walk)[1] == pytest.approx(-2 / 3, abs=0.06)


def test_missing_rows_do_not_break_the_jitter():
    rng = np.random.default_rng(5)
    smooth, jitter = relief(5), rng.normal(0, 2.0, size=200)
    height = smooth + jitter[:, None]
    height[70:73] = np.nan
    height[:, 20:25] = np.nan
    left = row_jitter(subtract_polynomial(height, 1), 12.0) - jitter
    left -= ndimage.gaussian_filter1d(left, 2.0)  # slower offsets are kept on purpose
    far = np.abs(np.arange(200) - 71) > 8
    assert left[far].std() < 0.25 * jitter.std()


@pytest.mark.parametrize("step", ["row_median", "row_difference", "quadratic"])
def test_stronger_steps_eat_undulation_and_are_named(step):
    v, _u = np.indices((128, 128), dtype=float)
    undulating = 40.0 * np.cos(v / 25.0) + relief(6, (128, 128))
    plain = level(undulating, PLANE)
    strong = level(undulating, CollagenSettings(levelling=("plane", step)))
    assert strong.steps == ("plane", step)
    assert np.std(strong.height_nm) < np.std(plain.height_nm)
    assert strong.Sq_plane_nm == plain.Sq_plane_nm


def test_strong_jitter_is_flagged_and_weak_is_not():
    rng = np.random.default_rng(7)
    smooth = relief(7, (128, 128))
    for size, flagged in ((1.0, False), (12.0, True)):
        height = smooth + rng.normal(0, size, (128, 1))
        found = analyse_height(height, (8.0, 8.0), None)
        assert ("strong_row_jitter" in found.flags) == flagged


def test_lost_rows_are_bridged_without_a_step():
    v = np.arange(30, dtype=float)
    height = np.repeat(v[:, None] * 2.0, 20, axis=1)
    holed = height.copy()
    holed[10:14] = np.nan
    holed[20, 5] = np.nan
    filled = fill_missing(holed)
    np.testing.assert_allclose(filled[10:14], height[10:14])
    assert np.isfinite(filled).all()
    assert np.isnan(holed[10, 0])
