"""Areal Gaussian filters against ISO 16610-61 transmissions (tests/reference, see its README)."""

import json
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError
from scipy import ndimage

from engine.collagen import CollagenSettings, analyse_height, filter_surface, transmission
from engine.collagen.areal_filter import smooth

FORMS = json.loads((Path(__file__).parent / "reference/roughness_closed_forms.json").read_text())
GAUSSIAN = FORMS["ISO16610_gaussian"]
PIXEL = (8.0, 5.0)


def kept(wavelength_nm, nesting_nm, axis):
    """Share of a wave's amplitude that the smooth keeps, away from the border."""
    x = (np.arange(2048) - 1023.5) * PIXEL[1 - axis]
    wave = np.cos(2 * np.pi * x / wavelength_nm)
    surface = np.repeat(wave[:, None], 40, 1) if axis == 0 else np.repeat(wave[None, :], 40, 0)
    found = smooth(surface, PIXEL, nesting_nm)
    line = found[:, 20] if axis == 0 else found[20]
    middle = slice(700, 1348)
    return line[middle] @ wave[middle] / (wave[middle] @ wave[middle])


@pytest.mark.parametrize("ratio", sorted(GAUSSIAN["transmission_lambda_over_lambda_c"], key=float))
def test_transmission_is_that_of_the_standard(ratio):
    expected = GAUSSIAN["transmission_lambda_over_lambda_c"][ratio]
    nesting = 400.0
    wave = float(ratio) * nesting
    assert transmission(np.array(wave), nesting) == pytest.approx(expected, rel=1e-9)
    if wave > 4 * PIXEL[0]:
        for axis in (0, 1):
            assert kept(wave, nesting, axis) == pytest.approx(expected, abs=2e-5)


@pytest.mark.parametrize("nesting_px", [5.0, 6.3, 11.0])
def test_half_is_kept_at_the_nesting_index_however_few_pixels(nesting_px):
    nesting = nesting_px * max(PIXEL)
    assert kept(nesting, nesting, 1) == pytest.approx(0.5, abs=2e-5)


def test_separable_waves_multiply():
    v, u = np.indices((600, 500), dtype=float)
    lengths = (300.0, 240.0)
    surface = np.cos(2 * np.pi * (u - 250) * 8 / lengths[0]) * np.cos(
        2 * np.pi * (v - 300) * 5 / lengths[1]
    )
    found = smooth(surface, PIXEL, 200.0)
    expected = np.prod([transmission(np.array(w), 200.0) for w in lengths])
    assert found[300, 250] == pytest.approx(expected, abs=1e-5)


def test_constant_survives_borders_and_holes():
    height = np.full((60, 90), 7.0)
    height[20:30, 10:60] = np.nan
    height[45] = np.nan
    found = smooth(height, PIXEL, 300.0)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(height))
    assert np.nanmax(np.abs(found - 7.0)) < 1e-9


def test_kernel_longer_than_the_image_gives_its_weighted_mean():
    height = np.random.default_rng(0).normal(size=(20, 25))
    pixel, nesting = (2.0, 2.0), 1e5
    found = smooth(height, pixel, nesting)
    np.testing.assert_allclose(found, height.mean(), atol=1e-6)


def test_smooth_by_its_definition():
    rng = np.random.default_rng(1)
    height = rng.normal(size=(40, 31))
    height[10:14, 5:9] = np.nan
    nesting, alpha = 45.0, GAUSSIAN["alpha"]
    v, u = np.indices(height.shape)
    found = smooth(height, PIXEL, nesting)
    for row, col in [(0, 0), (15, 8), (39, 20)]:
        dv, du = (v - row) * PIXEL[1], (u - col) * PIXEL[0]
        w = np.exp(-np.pi * (dv**2 + du**2) / (alpha * nesting) ** 2)
        w[(np.abs(dv) > nesting + PIXEL[1]) | (np.abs(du) > nesting + PIXEL[0])] = 0.0
        good = np.isfinite(height)
        expected = (w * np.where(good, height, 0)).sum() / (w * good).sum()
        assert found[row, col] == pytest.approx(expected, abs=1e-6)


def test_s_and_l_filter_part_the_surface():
    rng = np.random.default_rng(2)
    height = ndimage.gaussian_filter(rng.normal(size=(128, 128)), 2.0)
    short, names = filter_surface(height, (8.0, 8.0), None, 300.0)
    long = smooth(height, (8.0, 8.0), 300.0)
    np.testing.assert_allclose(short + long, height, atol=1e-12)
    assert names == ("L 300 nm",)
    same, none = filter_surface(height, (8.0, 8.0), None, None)
    assert same is height
    assert none == ()


def test_filters_act_on_texture_only_and_are_named():
    rng = np.random.default_rng(3)
    height = 30 * ndimage.gaussian_filter(rng.normal(size=(128, 128)), 3.0)
    height += 50 * np.cos(np.arange(128) / 20.0)
    plain = analyse_height(height, (8.0, 8.0), None)
    asked = CollagenSettings(s_filter_nm=50.0, l_filter_nm=400.0)
    found = analyse_height(height, (8.0, 8.0), None, asked)
    assert found.filters == found.basis.filters == ("S 50 nm", "L 400 nm")
    assert found.texture.Sq_nm < 0.5 * plain.texture.Sq_nm
    assert found.texture.Sq_plane_nm == plain.texture.Sq_plane_nm
    np.testing.assert_array_equal(found.paths.path_u_nm, plain.paths.path_u_nm)
    np.testing.assert_array_equal(found.levelled_nm, plain.levelled_nm)


def test_too_fine_a_filter_is_refused_or_flagged():
    height = np.random.default_rng(4).normal(size=(64, 64))
    with pytest.raises(ValueError, match="at least 5 pixels"):
        smooth(height, (8.0, 8.0), 39.0)
    found = analyse_height(height, (8.0, 8.0), None, CollagenSettings(s_filter_nm=30.0))
    assert "filter_too_fine" in found.flags
    assert found.filters == ()
    with pytest.raises(ValidationError, match="s_filter_nm"):
        CollagenSettings(s_filter_nm=500.0, l_filter_nm=500.0)
