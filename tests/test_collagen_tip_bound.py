"""The tip's own trace in an image: networks dilated by tips of known radius."""

import numpy as np
import pytest
from collagen_scenes import Recipe, dilate, make_scene

from engine.collagen import ImageTip, analyse_height, erode, radius_bound
from engine.collagen.tip_bound import _erode_parabola

PIXEL = (8.0, 8.0)


def network(radius_nm, seed=7, diameter_nm=65.0):
    recipe = Recipe(size=(128, 128), count=50, diameter_nm=diameter_nm, angle_sd_deg=45.0)
    return make_scene(recipe, ImageTip("paraboloid", radius_nm), seed).height_nm


def test_lower_envelope_is_the_erosion_by_its_definition():
    surface = 10 * np.random.default_rng(0).normal(size=(60, 50))
    expected = erode(surface, (4.0, 6.0), ImageTip("paraboloid", 12.0), 1e6)
    np.testing.assert_allclose(_erode_parabola(surface, 4.0, 6.0, 12.0), expected, atol=1e-9)


@pytest.mark.parametrize("radius", [5.0, 10.0, 20.0, 40.0])
@pytest.mark.parametrize("diameter", [65.0, 110.0])
def test_radius_is_found_from_the_image_alone(radius, diameter):
    found = radius_bound(network(radius, diameter_nm=diameter), PIXEL, None)
    assert 0.75 * radius < found.radius_nm < 1.3 * radius + 2.0  # a bound: blunter below a pixel


@pytest.mark.parametrize("noise", [0.0, 0.3, 3.0])
def test_it_is_a_bound_and_not_tight_where_nothing_is_sharp(noise):
    v, u = np.indices((128, 128), dtype=float)
    gentle = 40.0 * np.cos(u / 12.0) * np.cos(v / 12.0)  # crests of 2 x 8^2 12^2 / 40 = 230 nm
    image = dilate(gentle, PIXEL, ImageTip("paraboloid", 10.0))
    noisy = image + np.random.default_rng(1).normal(0, noise, image.shape)
    found = radius_bound(noisy, PIXEL, None)
    assert not found.radius_nm < 50.0


def test_noise_alone_and_flat_images_tell_nothing_firm():
    assert np.isnan(radius_bound(np.zeros((64, 64)), PIXEL, None).radius_nm)
    assert np.isnan(radius_bound(np.zeros((8, 64)), PIXEL, None).radius_nm)


@pytest.mark.parametrize(
    ("stated", "true", "flag"),
    [
        (10.0, 10.0, ""),
        (10.0, 30.0, "tip_blunter_than_stated"),
        (30.0, 10.0, "tip_sharper_than_stated"),
    ],
)
def test_stated_radius_is_held_against_the_image(stated, true, flag):
    found = analyse_height(network(true), PIXEL, ImageTip("paraboloid", stated))
    raised = {name for name in found.flags if name.startswith("tip_")}
    assert raised == ({flag} if flag else set())


def test_an_unsure_radius_is_harder_to_contradict():
    unsure = ImageTip("paraboloid", 10.0, radius_rel_sd=0.5)
    found = analyse_height(network(20.0), PIXEL, unsure)
    sure = analyse_height(network(20.0), PIXEL, ImageTip("paraboloid", 10.0, radius_rel_sd=0.02))
    assert "tip_blunter_than_stated" not in found.flags
    assert "tip_blunter_than_stated" in sure.flags


def test_unknown_radius_gets_a_bound_but_no_verdict():
    found = analyse_height(network(20.0), PIXEL, ImageTip("paraboloid", None))
    assert "radius_unknown" in found.flags
    assert not {name for name in found.flags if name.startswith("tip_")}
    assert found.tip_bound.radius_nm == pytest.approx(20.0, rel=0.4)
    right = analyse_height(network(20.0), PIXEL, ImageTip("paraboloid", 20.0))
    thickness = found.thickness
    assert thickness.radius_unknown_nm > 20.0
    assert thickness.p95_ci_low_nm < right.thickness.p95_nm < thickness.p95_nm
    assert thickness.p95_nm - thickness.p95_ci_low_nm > thickness.radius_unknown_nm
    assert "wide_interval" in found.flags
    assert right.thickness.radius_unknown_nm == 0.0
