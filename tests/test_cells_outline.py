"""Tissue outline: known discs, and images in which there is none to be told."""

import numpy as np
import pytest
from cells_simulator import hazy_image, make_scene
from shapely import Point, Polygon, contains_xy

from engine.cells import tissue_outline

PIXEL_UM = 0.65


@pytest.mark.parametrize("vignette", [0.0, 0.35, 0.7])
def test_a_known_disc_is_outlined(vignette):
    scene = make_scene(3, size_um=800.0, tries=200)
    image = hazy_image(scene, 3, vignette=vignette)
    outline = Polygon(tissue_outline(image, PIXEL_UM))
    truth = Point(400, 400).buffer(0.492 * 800)
    overlap = outline.intersection(truth).area / outline.union(truth).area
    assert overlap >= 0.95
    assert contains_xy(outline, *scene.xy_um.T).all()
    assert not contains_xy(outline, [10, 790], [10, 790]).any()


def test_the_outline_is_in_the_disc_frame():
    image = np.full((600, 900), 50, np.uint16)
    image[100:500, 200:800] = 400  # rows 100-499, columns 200-799
    outline = tissue_outline(image, 1.0)
    low, high = outline.min(axis=0), outline.max(axis=0)
    np.testing.assert_allclose(low, [199.5, 99.5], atol=1.0)
    np.testing.assert_allclose(high, [799.5, 499.5], atol=1.0)


@pytest.mark.parametrize(
    "image",
    [
        np.zeros((400, 400), np.uint16),
        np.random.default_rng(0).poisson(200, (600, 600)).astype(np.uint16),
        np.full((20, 20), 7.0),
        np.linspace(100, 110, 400)[None, :] * np.ones((400, 1)),
    ],
    ids=["flat", "noise", "tiny", "slope"],
)
def test_no_outline_where_none_can_be_told(image):
    assert tissue_outline(image, PIXEL_UM).shape == (0, 2)


def test_tissue_that_fills_the_picture_has_no_outline():
    scene = make_scene(5, size_um=800.0, tries=200)
    image = hazy_image(scene, 5)
    n = image.shape[0]
    middle = image[n // 4 : -n // 4, n // 4 : -n // 4]
    assert tissue_outline(middle, PIXEL_UM).shape == (0, 2)
