"""The flat field told from the tiles: known shading recovered, none invented."""

import numpy as np
import pytest
from stitching_simulator import flat_field, scan

from engine.stitching import (
    OverlapSamples,
    block_medians,
    estimate_flat,
    gain_rows,
    no_flat_field,
    register_tiles,
    sample_overlaps,
)


def estimated(made):
    tiles = [made.read(i) for i in range(len(made.true_px))]
    blocks = np.array([block_medians(t) for t in tiles])
    found = register_tiles(tiles.__getitem__, made.nominal_px, made.shape)
    overlaps = sample_overlaps(lambda t, a, b: tiles[t][a:b], found, made.shape, 80)
    return estimate_flat(blocks, overlaps)


def left_at(field, made, level):
    """Shading that is left of an even scene of a brightness above the dark level."""
    seen = made.dark + flat_field(made.shape, made.vignette) * level
    even = field.dark + (seen - field.dark) * gain_rows(field, made.shape, 0, made.shape[0])
    return float(np.std(even)), float(np.std(seen))


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("haze", [0.0, 0.3])
def test_shading_of_a_disc_is_evened_out(seed, haze):
    """Uneven tissue, bare glass and a camera offset: less than a tenth of the shading is left."""
    made = scan(seed, (5, 5), (384, 384), disc=0.9, haze=haze)
    field = estimated(made)
    assert field.estimated
    left, before = left_at(field, made, made.tissue)
    assert left < 0.1 * before
    assert field.low == pytest.approx(made.dark, abs=3)


def test_the_dark_level_is_left_alone():
    """Where glass and tissue are both seen, the offset is told apart from light."""
    made = scan(3, (6, 6), (384, 384), disc=0.85)
    field = estimated(made)
    assert field.dark == pytest.approx(made.dark, abs=20)
    left, before = left_at(field, made, 20.0)
    assert left < before


@pytest.mark.parametrize("seed", [0, 1])
def test_no_shading_is_invented(seed):
    made = scan(seed, (5, 5), (256, 256), disc=0.9, haze=0.3, vignette=0.0)
    field = estimated(made)
    left, _ = left_at(field, made, made.tissue)
    assert left < 0.01 * made.tissue


def test_the_mean_of_the_field_is_one():
    field = estimated(scan(0, (4, 4), (384, 384), disc=0.9))
    assert np.mean(1 / gain_rows(field, (160, 160), 0, 160)) == pytest.approx(1, abs=0.01)


def test_few_tiles_give_no_field():
    made = scan(0, (2, 2), (256, 256))
    field = estimated(made)
    assert not field.estimated
    assert field.coefficients.size == 0
    np.testing.assert_array_equal(gain_rows(field, (5, 7), 1, 4), np.ones((3, 7), np.float32))


def test_rows_of_the_gain_do_not_depend_on_how_they_are_asked_for():
    field = estimated(scan(1, (3, 4), (256, 256)))
    assert field.estimated
    whole = gain_rows(field, (301, 257), 0, 301)
    parts = [gain_rows(field, (301, 257), a, min(a + 13, 301)) for a in range(0, 301, 13)]
    np.testing.assert_array_equal(np.vstack(parts), whole)


def test_blocks_are_medians():
    tile = np.arange(64 * 48, dtype=float).reshape(64, 48)
    blocks = block_medians(tile)
    assert blocks.shape == (16, 16)
    assert blocks[2, 3] == np.median(tile[8:12, 9:12])
    tile[8:12, 9:12] = np.nan
    assert np.isnan(block_medians(tile)[2, 3])


@pytest.mark.parametrize("value", [0.0, 7.0])
def test_constant_tiles_have_no_field(value):
    rng = np.random.default_rng(0)
    at = rng.uniform(-1, 1, (2, 300, 2))
    overlaps = OverlapSamples(at[0], at[1], np.full(300, value), np.full(300, value))
    field = estimate_flat(np.full((12, 16, 16), value), overlaps)
    assert not field.estimated
    assert field.low == value


def test_a_camera_that_cuts_off_at_zero_is_no_harm():
    made = scan(2, (5, 5), (384, 384), disc=0.9, dark=0.0, noise=5.0)
    field = estimated(made)
    left, before = left_at(field, made, made.tissue)
    assert field.estimated
    assert left < 0.15 * before


def test_without_a_field_only_the_surround_is_told():
    blocks = np.full((3, 16, 16), 50.0)
    blocks[0, 0, 0] = np.nan
    assert no_flat_field(blocks).low == 50.0
