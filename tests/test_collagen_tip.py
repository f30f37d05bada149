import numpy as np
import pytest
from collagen_scenes import dilate
from scipy import ndimage

from engine.collagen import ImageTip, erode

PIXEL = (4.0, 6.0)
TIPS = [
    ImageTip("paraboloid", 12.0),
    ImageTip("sphere", 30.0),
    ImageTip("cone", None, 25.0),
    ImageTip("cone", 10.0, 25.0),
    ImageTip("pyramid", 5.0, 30.0),
]


def rough(seed=0, height=30.0):
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(60, 50)), 2.0)
    return height * noise / noise.std()


@pytest.mark.parametrize("tip", TIPS, ids=str)
def test_erosion_bounds_the_surface_and_gives_the_same_image_again(tip):
    # Morphology: eroding a dilation is a closing: never below the surface, and dilating the
    # closing gives the first image back. Inside, since edges see less of the probe.
    surface = rough()
    image = dilate(surface, PIXEL, tip)
    found = erode(image, PIXEL, tip, 1e4)
    assert (found >= surface - 1e-9).all()
    assert (found <= image + 1e-9).all()
    np.testing.assert_allclose(dilate(found, PIXEL, tip), image, atol=1e-9)


def test_paraboloid_in_two_passes_is_the_erosion_by_its_definition():
    surface, tip = rough(1), ImageTip("paraboloid", 15.0)
    expected = -dilate(-surface, PIXEL, tip)  # erosion is the dual of dilation for an even probe
    np.testing.assert_allclose(erode(surface, PIXEL, tip, 1e4), expected, atol=1e-9)


def test_gentle_surface_is_recovered_where_the_tip_touches_everywhere():
    v, u = np.indices((80, 80), dtype=float)
    surface = 20.0 * np.cos(u / 12.0) * np.cos(v / 15.0)
    tip = ImageTip("paraboloid", 8.0)
    pixel = (2.0, 2.0)
    found = erode(dilate(surface, pixel, tip), pixel, tip, 1e4)
    assert np.abs(found - surface)[10:-10, 10:-10].max() < 0.5


def test_blunt_cone_runs_smoothly_into_its_flank():
    tip = ImageTip("cone", 10.0, 20.0)
    touch = 10.0 * np.cos(np.radians(20.0))
    r = touch + np.array([-1e-6, 1e-6])
    low, high = tip.height_nm(r)
    assert high - low == pytest.approx(2e-6 / np.tan(np.radians(20.0)), rel=1e-3)
    sharp = ImageTip("cone", None, 20.0)
    assert sharp.height_nm(np.array(7.0)) == pytest.approx(7.0 / np.tan(np.radians(20.0)))
    assert (sharp.height_nm(r) > tip.height_nm(r)).all()  # a blunt end is wider at equal height


def test_holes_stay_holes_and_bound_nothing():
    surface = rough(2)
    surface[20:24, 10:30] = np.nan
    found = erode(surface, PIXEL, ImageTip("paraboloid", 12.0), 200.0)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(surface))


def test_unknown_tip_changes_nothing():
    surface = rough(3)
    unknown = ImageTip("paraboloid", None)
    assert not unknown.corrects
    np.testing.assert_array_equal(erode(surface, PIXEL, unknown, 200.0), surface)
