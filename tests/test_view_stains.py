"""Several stains in one picture: blending, windows, and what stays as it was."""

import io
import struct

import numpy as np
import pytest
from PIL import Image

from engine.footprint import Footprint
from engine.view import Box, HeightLayer, MosaicLayer, Paint, Painter, Scene, Stain, encode_layers
from engine.view.mosaic import contrast
from engine.view.picture import PAPER
from engine.view.stains import INKS, blend, ink_rgb

BOX = Box(31.5, 31.5, 1.0, 64, 64)


def scene(heights=()):
    """Two channels: a ramp along x, and one bright square."""
    ramp = np.tile(np.arange(64, dtype=np.uint16) * 10, (64, 1))
    square = np.zeros((64, 64), np.uint16)
    square[20:40, 20:40] = 500
    levels = (np.stack([ramp, square]),)
    layer = MosaicLayer("m", levels, ((1.0, 1.0),), ((0.0, 0.0),), 0, 0.0, 630.0)
    return Scene("s", (0, 0, 64, 64), mosaic=layer, heights=heights)


def drawn(stains, dark=True, **further):
    paint = Paint(frozenset({"mosaic", "heights"}), dark, stains=stains)
    return Painter().draw(scene(**further), BOX, paint)


def test_one_grey_stain_is_the_grey_picture_that_was():
    usual, same = drawn(None), drawn((Stain(0, "w", 0.0, 630.0),))
    assert same.colour is None
    np.testing.assert_array_equal(usual.grey, same.grey)


@pytest.mark.parametrize("dark", [True, False])
def test_a_stain_runs_from_the_page_to_its_ink(dark):
    picture = drawn((Stain(1, "b", 0.0, 500.0),), dark).colour
    assert (picture[5, 5] == PAPER[dark]).all()
    ink = ink_rgb("b", dark)
    expected = 255 - (255 - PAPER[dark]) * (255 - ink) / 255 if dark else PAPER[dark] * ink / 255
    assert np.abs(picture[30, 30] - expected).max() <= 1


@pytest.mark.parametrize("dark", [True, False])
def test_blending_is_the_same_in_any_order_and_the_light_page_is_the_negative(dark):
    rng = np.random.default_rng(1)
    a, b = (rng.integers(0, 256, (40, 50)).astype(np.uint8) for _ in range(2))
    one = blend([a, b], ["o", "g"], PAPER[dark], dark).astype(int)
    other = blend([b, a], ["g", "o"], PAPER[dark], dark).astype(int)
    assert np.abs(one - other).max() <= 1
    share = [level[..., None] / 255.0 for level in (a, b)]
    inks = [ink_rgb(k, dark) for k in "og"]
    if dark:
        left = (255.0 - PAPER[dark]) / 255
        for s, ink in zip(share, inks, strict=True):
            left = left * (1 - s * ink / 255)
        expected = 255 * (1 - left)
    else:
        expected = PAPER[dark]
        for s, ink in zip(share, inks, strict=True):
            expected = expected * (1 - s * (1 - ink / 255))
    assert np.abs(one - expected).max() <= 1.6


def test_what_is_brighter_stays_brighter():
    level = np.arange(256, dtype=np.uint8)[None, :]
    for ink in INKS:
        up = blend([level], [ink], PAPER[True], True).astype(int)
        down = blend([level], [ink], PAPER[False], False).astype(int)
        assert (np.diff(up.sum(axis=2)) >= 0).all()
        assert (np.diff(down.sum(axis=2)) <= 0).all()


def test_no_stain_shown_is_the_empty_page():
    assert (drawn(()).grey == PAPER[True]).all()


def test_a_height_image_lies_grey_on_coloured_stains():
    shape = (16, 16)
    foot = Footprint(np.array([31.5, 31.5]), np.array([1.0, 0.0]), np.array([0.0, 1.0]), 20.0, 20.0)
    heights = (
        HeightLayer(
            "h", "n1", foot, shape, lambda: np.indices(shape).sum(axis=0).astype(np.float32)
        ),
    )
    picture = drawn((Stain(1, "b", 0, 500), Stain(0, "o", 0, 630)), heights=heights).colour
    inside = picture[25:38, 25:38].astype(int)
    assert (np.ptp(inside, axis=2) == 0).all()
    assert np.ptp(picture[5, 60].astype(int)) > 30


@pytest.mark.parametrize("alone", [True, False])
def test_colours_come_through_the_encoding(alone):
    picture = drawn((Stain(1, "b", 0, 500), Stain(0, "o", 0, 630)))
    picture = type(picture)(picture.grey, picture.overlay, alone, picture.colour)
    body = encode_layers(picture)
    (length,) = struct.unpack("<I", body[:4])
    seen = np.asarray(Image.open(io.BytesIO(body[4 : 4 + length])).convert("RGB")).astype(int)
    off = np.abs(seen - picture.colour)
    assert off.max() == 0 if not alone else np.median(off) <= 3
    np.testing.assert_array_equal(picture.rgba()[..., :3], picture.colour)


def test_pixels_without_a_number_are_background():
    level = np.full((1, 64, 64), np.nan, np.float32)
    level[0, :, 32:] = 1e-3
    layer = MosaicLayer("nan", (level,), ((1.0, 1.0),), ((0.0, 0.0),), 0, 0.0, 1e-3)
    paint = Paint(frozenset({"mosaic"}))
    picture = Painter().draw(Scene("nan", (0, 0, 64, 64), mosaic=layer), BOX, paint)
    assert (picture.grey[:, :31] == PAPER[True]).all()
    assert (picture.grey[:, 34:] > 200).all()


def test_the_window_suits_small_floating_numbers_and_holes():
    low, high = contrast(np.array([[np.nan, 1e-4], [2e-4, 3e-4]], np.float32))
    assert 1e-4 <= low < high <= 3e-4
    assert contrast(np.full((2, 2), np.nan, np.float32)) == (0.0, 1.0)
    assert contrast(np.full((2, 2), 7, np.uint8)) == (7.0, 8.0)


def test_inks_differ_for_people_who_do_not_see_red_or_green():
    """Machado, Oliveira and Fernandes (2009): severe deuteranomaly and protanomaly as matrices."""
    deutan = [[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]]
    protan = [[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]]
    for dark in (True, False):
        inks = np.array([ink_rgb(k, dark) / 255 for k in "bogp"])
        for matrix in (deutan, protan):
            seen = (inks**2.2) @ np.array(matrix).T
            seen = np.clip(seen, 0, 1) ** (1 / 2.2)
            gaps = np.linalg.norm(seen[:, None] - seen[None], axis=2)
            assert gaps[~np.eye(len(inks), dtype=bool)].min() > 0.17
