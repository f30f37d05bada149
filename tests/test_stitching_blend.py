"""Blending: exact where it can be, even over seams, and the same by bands of any height."""

import dataclasses

import numpy as np
import pytest
from stitching_simulator import scan

from engine.stitching import (
    blend_rows,
    block_medians,
    estimate_flat,
    lay_out,
    no_flat_field,
    overlapping_pairs,
    typical_overlap_px,
)

NONE = no_flat_field(np.full((1, 16, 16), 7.0))


def laid_out(made):
    true = made.true_px - made.nominal_px
    pairs = overlapping_pairs(made.nominal_px, made.shape)
    overlap = typical_overlap_px(made.nominal_px, made.shape, pairs)
    return lay_out(made.nominal_px, true - true.mean(axis=0), made.shape, overlap)


def whole(canvas, tiles, field=NONE, dtype=np.uint16, step=None):
    rows = canvas.shape[0]
    step = step or rows
    return np.vstack(
        [
            blend_rows(
                canvas, lambda t, a, b: tiles[t][a:b], low, min(low + step, rows), field, dtype
            )
            for low in range(0, rows, step)
        ]
    )


def test_one_tile_is_itself():
    tile = np.random.default_rng(0).integers(0, 65536, (40, 50)).astype(np.uint16)
    canvas = lay_out([[12.0, -3.0]], [[0.0, 0.0]], tile.shape, (0, 0))
    assert canvas.origin_px == (12.0, -3.0)
    np.testing.assert_array_equal(whole(canvas, [tile]), tile)


@pytest.mark.parametrize("fraction", [(0.25, 0.5), (0.9, 0.1), (0.5, 0.0)])
def test_a_plane_is_moved_exactly(fraction):
    """Cubic convolution reproduces straight lines (Keys 1981: it is exact to second order)."""
    y, x = np.mgrid[:60, :70]
    tile = (100 + 3.0 * y - 2.0 * x).astype(np.float32)
    canvas = lay_out([[0.0, 0.0]], [list(fraction)], tile.shape, (0, 0))
    found = whole(canvas, [tile], dtype=np.float32)
    y, x = np.mgrid[: canvas.shape[0], : canvas.shape[1]]
    want = 100 + 3.0 * (y - fraction[0]) - 2.0 * (x - fraction[1])
    inner = (slice(3, 56), slice(3, 66))
    np.testing.assert_allclose(found[inner], want[inner], atol=1e-3)


def test_what_is_between_tiles_is_seen_where_it_truly_lies():
    made = scan(3, (3, 3), (300, 300), disc=0.9, vignette=0.0, noise=1e-3, snr=2e5)
    tiles = [made.read(i) for i in range(9)]
    canvas = laid_out(made)
    found = whole(canvas, tiles).astype(float)
    shift = (made.true_px - made.nominal_px).mean(axis=0)
    middle = made.centre_px
    first = np.array(canvas.origin_px) + shift

    class Whole(type(made)):
        centre_px = middle

    fields = {f.name: getattr(made, f.name) for f in dataclasses.fields(made) if f.init}
    truth = Whole(**{**fields, "true_px": first[None], "shape": canvas.shape})
    want = truth.dark + truth.clean(0)
    inner = (slice(30, -30), slice(30, -30))
    assert np.abs(found - want)[inner].max() < 0.015 * np.ptp(want)


def test_bands_of_any_height_are_the_same():
    made = scan(5, (4, 4), (200, 216), overlap=0.2, disc=0.95, noise=10.0, per_mpx=200)
    tiles = [made.read(i) for i in range(16)]
    field = estimate_flat(np.array([block_medians(t) for t in tiles]))
    assert field.estimated
    canvas = laid_out(made)
    one = whole(canvas, tiles, field)
    for step in (1, 17, 64, 250):
        np.testing.assert_array_equal(whole(canvas, tiles, field, step=step), one)


def test_a_seam_between_uneven_tiles_is_a_slope():
    tiles = [np.full((50, 100), v, np.uint16) for v in (1000, 1200)]
    canvas = lay_out([[0, 0], [0, 80]], np.zeros((2, 2)), (50, 100), (0, 20))
    row = whole(canvas, tiles)[25].astype(int)
    assert row[0] == 1000
    assert row[-1] == 1200
    assert np.abs(np.diff(row)).max() <= 12
    assert (np.diff(row) >= 0).all()


@pytest.mark.parametrize(("dtype", "level"), [(np.uint8, 7), (np.uint16, 7), (np.float32, np.nan)])
def test_gaps_hold_the_level_of_the_surround(dtype, level):
    tiles = [np.full((20, 20), 50, dtype)] * 2
    canvas = lay_out([[0, 0], [30, 30]], np.zeros((2, 2)), (20, 20), (0, 0))
    found = whole(canvas, tiles, dtype=dtype)
    assert found.dtype == dtype
    assert found.shape == (50, 50)
    np.testing.assert_array_equal(found[:20, 25:], np.full((20, 25), level))
    np.testing.assert_array_equal(found[30:, 30:], np.full((20, 20), 50))


def test_integers_are_cut_off_at_their_range():
    tile = np.zeros((30, 30), np.uint8)
    tile[:, 15:] = 255  # cubic convolution overshoots at a step
    canvas = lay_out([[0, 0]], [[0.0, 0.5]], tile.shape, (0, 0))
    found = whole(canvas, [tile], dtype=np.uint8)
    assert found.min() == 0
    assert found.max() == 255
    assert (np.diff(found[10, 1:30].astype(int)) >= 0).all()


def test_missing_pixels_of_one_tile_are_filled_by_the_other():
    first, second = np.full((20, 40), 5.0, np.float32), np.full((20, 40), 5.0, np.float32)
    first[:, 30:] = np.nan
    canvas = lay_out([[0, 0], [0, 28]], np.zeros((2, 2)), (20, 40), (0, 12))
    assert np.isfinite(whole(canvas, [first, second], dtype=np.float32)).all()


def test_the_canvas_lies_whole_pixels_off_the_nominal_corner():
    at = np.array([[3.25, 7.5], [3.25, 97.5]])
    canvas = lay_out(at, [[-1.6, 2.2], [1.6, -2.2]], (100, 100), (0, 10))
    assert (np.array(canvas.origin_px) - at[0]).tolist() == [-2.0, 2.0]
    assert canvas.place_px.min() >= 0
    # every tile is held, and nothing more than a pixel beyond
    far = (canvas.place_px + 99).max(axis=0)
    assert (far <= np.array(canvas.shape) - 1).all()
    assert (far > np.array(canvas.shape) - 2).all()
