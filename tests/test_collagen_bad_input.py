import numpy as np
import pytest
from collagen_scenes import Recipe, make_scene

from engine.collagen import FLAGS, ImageTip, analyse_height

TIP = ImageTip("paraboloid", 10.0)
NAMES = {flag.name for flag in FLAGS}


def test_all_nan_gives_no_number_and_says_so():
    result = analyse_height(np.full((64, 64), np.nan), (8.0, 8.0), TIP)
    assert result.flags[0] == "all_nan"
    assert np.isnan(result.texture.Sq_nm)
    assert np.isnan(result.thickness.median_nm)
    assert result.fibrils.u_nm.size == 0


def test_constant_image_is_flat_without_fibrils():
    result = analyse_height(np.full((64, 64), 5e6, np.float32), (8.0, 8.0), TIP)
    assert "constant" in result.flags
    assert result.texture.Sq_nm == 0.0
    assert np.isnan(result.texture.Ssk)
    assert "no_fibrils" in result.flags


@pytest.mark.parametrize("shape", [(1, 256), (256, 1), (2, 2), (1, 1)])
def test_too_few_rows_are_said(shape):
    height = np.random.default_rng(0).normal(size=shape)
    result = analyse_height(height, (8.0, 8.0), TIP)
    assert "one_row" in result.flags or "constant" in result.flags
    assert np.isnan(result.thickness.median_nm)


def test_noise_alone_runs_and_shows_no_bands():
    height = np.random.default_rng(1).normal(size=(128, 96))
    result = analyse_height(height, (8.0, 8.0), TIP)
    assert np.isnan(result.banding.period_nm)
    assert set(result.flags) <= NAMES


def test_infinite_heights_count_as_missing():
    rng = np.random.default_rng(2)
    height = np.cumsum(rng.normal(size=(64, 64)), axis=1)
    holed = height.copy()
    holed[10:20, 10:20] = np.inf
    result = analyse_height(holed, (8.0, 8.0), TIP)
    assert "missing_data" in result.flags
    assert np.isnan(result.levelled_nm[10:20, 10:20]).all()
    assert np.isfinite(result.texture.Sq_nm)


@pytest.mark.parametrize("shape", [(5,), (0, 5), (2, 2, 2)])
def test_wrong_dimensions_are_refused(shape):
    with pytest.raises(ValueError, match="shape"):
        analyse_height(np.zeros(shape), (8.0, 8.0), TIP)


@pytest.mark.parametrize("pixel", [(0.0, 8.0), (8.0, -1.0), (np.nan, 8.0), (np.inf, 8.0)])
def test_wrong_pixels_are_refused(pixel):
    with pytest.raises(ValueError, match="pixel_nm"):
        analyse_height(np.zeros((4, 4)), pixel, TIP)


def test_complex_heights_are_refused():
    with pytest.raises(TypeError, match="real"):
        analyse_height(np.zeros((4, 4), complex), (8.0, 8.0), TIP)


@pytest.mark.parametrize(
    "arguments",
    [
        {"shape": "sphere", "radius_nm": -1.0},
        {"shape": "cone", "radius_nm": 5.0},
        {"shape": "cone", "half_angle_deg": 90.0},
        {"shape": "paraboloid", "radius_nm": 5.0, "radius_rel_sd": -0.1},
    ],
)
def test_impossible_tips_are_refused(arguments):
    with pytest.raises(ValueError, match=r"radius|half_angle"):
        ImageTip(**arguments)


def test_input_is_left_alone():
    height = np.random.default_rng(3).normal(size=(64, 64))
    before = height.copy()
    height.flags.writeable = False
    analyse_height(height, (8.0, 8.0), TIP)
    np.testing.assert_array_equal(height, before)


@pytest.fixture(scope="module")
def network():
    recipe = Recipe(size=(128, 128), count=45, diameter_nm=60.0, angle_sd_deg=50.0)
    return make_scene(recipe, TIP, 9).height_nm


def test_heights_upside_down_are_noticed(network):
    assert "heights_inverted" not in analyse_height(network, (8.0, 8.0), TIP).flags
    assert "heights_inverted" in analyse_height(-network, (8.0, 8.0), TIP).flags


@pytest.mark.parametrize("factor", [1e3, 1e-3])
def test_a_thousandfold_unit_is_noticed(network, factor):
    assert "unit_suspect" not in analyse_height(network, (8.0, 8.0), TIP).flags
    assert "unit_suspect" in analyse_height(network * factor, (8.0, 8.0), TIP).flags
    pixel = (8.0 * factor, 8.0 * factor)
    assert "unit_suspect" in analyse_height(network, pixel, TIP).flags


@pytest.mark.parametrize("pixel", [25.0, 39.0])
def test_coarse_pixels_give_no_bands(network, pixel):
    found = analyse_height(network, (pixel, pixel), TIP)
    assert "not_resolvable" in found.flags
    assert np.isnan(found.banding.period_nm)


def test_noise_is_neither_upside_down_nor_a_network():
    rng = np.random.default_rng(4)
    for height in (rng.normal(size=(100, 100)), np.cumsum(rng.normal(size=(100, 100)), axis=1)):
        assert "heights_inverted" not in analyse_height(height, (8.0, 8.0), TIP).flags
