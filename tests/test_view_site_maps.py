"""Maps in the plane: each cell in its own colour at its true place, missing ones never in one."""

from typing import ClassVar

import numpy as np
import pandas as pd
import pytest

from engine.footprint import Footprint
from engine.view import Box, CurveLayer, HeightLayer, Paint, Painter, Scene, SiteMapLayer, SiteMaps
from engine.view.load import curve_values
from engine.view.ramps import ColourScale, lookup
from engine.view.relief import shade_heights
from engine.view.site_maps import HATCH, PlaceCache, cell_at, draw_site_maps, place_levels

SCALE = ColourScale("stiffness", 0.0, 100.0, False, "modulus", "kPa")
TURN = np.radians(33.0)
U, V = np.array([np.cos(TURN), np.sin(TURN)]), np.array([-np.sin(TURN), np.cos(TURN)])
FEET = {
    "plain": Footprint(np.array([50.0, 40.0]), np.array([1.0, 0]), np.array([0, 1.0]), 4.0, 3.0),
    "turned": Footprint(np.array([50.0, 40.0]), U, V, 4.0, 3.0),
    "mirrored": Footprint(np.array([50.0, 40.0]), 1.01 * U, -0.99 * V, 4.0, 3.0),
}
VALUES = np.random.default_rng(1).uniform(0, 100, (9, 12))


def layer(foot, values=VALUES, name="a"):
    return SiteMapLayer(name, "n1", foot, values.shape, lambda: values)


def drawn(foot, box, values=VALUES, dark=True):
    rgba = np.zeros((box.height_px, box.width_px, 4), np.uint8)
    side = draw_site_maps(SiteMaps((layer(foot, values),), SCALE), box, dark, PlaceCache(), rgba)
    return rgba, side


def places(foot, box):
    """Site coordinates of every pixel, by the footprint's own transform."""
    j, i = np.meshgrid(np.arange(box.width_px), np.arange(box.height_px))
    x = box.centre_x_um + (j - 0.5 * (box.width_px - 1)) * box.um_per_px
    y = box.centre_y_um + (i - 0.5 * (box.height_px - 1)) * box.um_per_px
    return foot.from_disc(x, y)


@pytest.mark.parametrize("name", FEET)
@pytest.mark.parametrize("scale", [0.05, 0.012, 0.0007])
def test_every_pixel_has_the_colour_of_the_nearest_point(name, scale):
    foot = FEET[name]
    box = Box(50.3, 39.8, scale, 160, 120)
    rgba, _ = drawn(foot, box)
    u, v = places(foot, box)
    col = np.rint((u / 4.0 + 0.5) * 11)
    row = np.rint((v / 3.0 + 0.5) * 8)

    # half a pixel from an edge of a cell or of the site either neighbour is right
    def off(share):
        return np.abs((share + 0.5) % 1.0)

    clear = (off((u / 4.0 + 0.5) * 11) > 0.3) & (off((v / 3.0 + 0.5) * 8) > 0.3)
    clear &= (np.abs(u) < 1.9) & (np.abs(v) < 1.4)
    assert clear.any()
    expected = SCALE.colours(VALUES[row[clear].astype(int), col[clear].astype(int)])
    np.testing.assert_array_equal(rgba[clear], expected)


def test_the_map_ends_where_the_site_ends():
    box = Box(50.0, 40.0, 0.05, 160, 120)
    rgba, side = drawn(FEET["turned"], box)
    u, v = places(FEET["turned"], box)
    out = (np.abs(u) > 2.05) | (np.abs(v) > 1.55)
    inside = (np.abs(u) < 1.95) & (np.abs(v) < 1.45)
    assert (rgba[out, 3] == 0).all()
    assert (rgba[inside, 3] == 255).all()
    corners = FEET["turned"].corners()
    assert side == pytest.approx(np.ptp(corners, axis=0).max() / 0.05)


@pytest.mark.parametrize("dark", [True, False])
def test_missing_values_are_hatched_and_never_a_colour_of_the_map(dark):
    values = VALUES.copy()
    values[3:6, 4:8] = np.nan
    box = Box(50.0, 40.0, 0.005, 400, 400)
    rgba, _ = drawn(FEET["plain"], box, values, dark)
    u, v = places(FEET["plain"], box)
    gone = (np.abs((u / 4.0 + 0.5) * 11 - 5.5) < 1.9) & (np.abs((v / 3.0 + 0.5) * 8 - 4.0) < 1.4)
    greys = {int(grey) for grey in HATCH[dark]}
    assert set(np.unique(rgba[gone][:, :3])) == greys
    assert (rgba[gone, 3] == 255).all()
    colours = {tuple(c) for c in lookup("stiffness")}
    assert not {(g, g, g) for g in greys} & colours


def test_a_small_map_shows_means_and_keeps_what_is_missing():
    values = np.tile(np.array([[10.0, 30.0], [30.0, 10.0]]), (32, 32))
    values[:32] = np.nan
    levels = place_levels(values, SCALE)
    assert [lev.shape for lev in levels] == [(64, 64), (32, 32), (16, 16), (8, 8)]
    np.testing.assert_allclose(levels[2][8:], 0.2, rtol=1e-6)
    assert np.isnan(levels[2][:8]).all()


def test_odd_sizes_and_half_known_cells():
    values = np.array([[0.0, 100.0, 50.0]] * 17)
    values[16, 2] = np.nan
    (first, *_) = place_levels(np.tile(values, (1, 7)), SCALE)
    assert first.shape == (17, 21)
    second = place_levels(np.tile(values, (1, 7)), SCALE)[1]
    assert second.shape == (9, 11)
    assert np.isnan(second[8, 10])  # its one cell is missing
    assert second[8, 0] == pytest.approx(0.5)


@pytest.mark.parametrize("name", FEET)
def test_each_point_lies_in_its_own_cell(name):
    grid = FEET[name].grid(9, 12)
    for row in range(9):
        for col in range(12):
            x, y = grid[row, col]
            inward = FEET[name].centre_um + 0.999 * (grid[row, col] - FEET[name].centre_um)
            assert cell_at(FEET[name], (9, 12), *inward) == (row, col)
            del x, y
    assert cell_at(FEET[name], (9, 12), 60.0, 40.0) is None


@pytest.mark.parametrize("shape", [(1, 1), (1, 5), (5, 1)])
def test_lines_and_points_are_drawn(shape):
    box = Box(50.0, 40.0, 0.05, 160, 120)
    rgba, _ = drawn(FEET["plain"], box, np.full(shape, 50.0))
    assert (rgba[60, 80] == SCALE.colours([50.0])[0]).all()
    assert cell_at(FEET["plain"], shape, 50.0, 40.0) == (shape[0] // 2, shape[1] // 2)


def test_a_map_is_read_once_for_a_colour_scale():
    reads = []

    def read():
        reads.append(1)
        return VALUES

    cache, box = PlaceCache(), Box(50.0, 40.0, 0.05, 160, 120)
    maps = SiteMaps((SiteMapLayer("a", "n1", FEET["plain"], VALUES.shape, read),), SCALE)
    rgba = np.zeros((120, 160, 4), np.uint8)
    for _ in range(3):
        draw_site_maps(maps, box, True, cache, rgba)
    assert len(reads) == 1


def test_far_away_nothing_is_read_or_drawn():
    def read():
        raise AssertionError("a map of a few pixels is left to its site's mark")

    box = Box(50.0, 40.0, 2.0, 160, 120)
    maps = SiteMaps((SiteMapLayer("a", "n1", FEET["plain"], VALUES.shape, read),), SCALE)
    rgba = np.zeros((120, 160, 4), np.uint8)
    assert draw_site_maps(maps, box, True, PlaceCache(), rgba) == 0.0
    assert not rgba.any()


def scene(foot, heights):
    grid = foot.grid(9, 12).reshape(-1, 2)
    points = CurveLayer(
        grid[:, 0], grid[:, 1], np.ones(108, bool), np.full(108, 0.36), np.ones(108, bool),
        np.zeros(108, int), np.arange(108),
    )  # fmt: skip
    return Scene("s", (48, 38, 52, 42), {"n1": foot}, heights=heights, curves=points)


def test_points_of_a_mapped_site_give_way_to_its_map():
    foot = FEET["plain"]
    colours = np.tile(np.array([250, 0, 250, 255], np.uint8), (108, 1))
    box = Box(50.0, 40.0, 0.01, 300, 300)
    both = frozenset({"heights", "curves"})

    def overlay(layers, maps):
        paint = Paint(layers, curve_colours=colours, site_maps=maps)
        return Painter().draw(scene(foot, ()), box, paint).overlay

    magenta = np.array([250, 0, 250])
    maps = SiteMaps((layer(foot),), SCALE)
    assert (overlay(both, None)[..., :3] == magenta).all(axis=-1).any()
    assert not (overlay(both, maps)[..., :3] == magenta).all(axis=-1).any()
    # without the layer of heights there is no map, so the points are back
    assert (overlay(frozenset({"curves"}), maps)[..., :3] == magenta).all(axis=-1).any()


def test_a_surface_stands_in_the_place_of_the_site_s_image():
    foot = FEET["plain"]
    flat = HeightLayer("i", "n1", foot, (32, 32), lambda: np.zeros((32, 32), np.float32))
    rough = np.random.default_rng(0).normal(0, 9, (32, 32)).astype(np.float32)
    surface = HeightLayer("s", "n1", foot, (32, 32), lambda: rough)
    box = Box(50.0, 40.0, 0.02, 150, 120)
    image = Painter().draw(scene(foot, (flat,)), box, Paint(frozenset({"heights"}))).grey
    other = (
        Painter()
        .draw(scene(foot, (flat,)), box, Paint(frozenset({"heights"}), surfaces=(surface,)))
        .grey
    )
    assert image[40:80, 40:110].std() < 1.0
    assert other[40:80, 40:110].std() > 10.0


def test_surfaces_under_load_are_shaded_with_the_contrast_at_zero_force():
    one = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    u = np.mgrid[:64, :64][1]
    zero = (20 * np.cos(u / 3.0)).astype(np.float32)
    sunk = shade_heights(zero - 40, (0.01, 0.01), *one, like_nm=zero)
    np.testing.assert_allclose(
        sunk.shades[0], shade_heights(zero, (0.01, 0.01), *one).shades[0], atol=1e-5
    )
    deeper = shade_heights(2 * zero, (0.01, 0.01), *one, like_nm=zero)
    own = shade_heights(2 * zero, (0.01, 0.01), *one)
    assert deeper.shades[0].std() > 1.05 * own.shades[0].std()


class _Stored:
    def __init__(self, cols):
        self.cols = cols


class _Store:
    sites: ClassVar = {"a": _Stored(3), "b": _Stored(2)}


def test_a_column_of_the_curves_table_comes_in_the_order_of_the_points():
    count = 6 + 4
    points = CurveLayer(
        np.zeros(count), np.zeros(count), np.ones(count, bool), np.ones(count),
        np.zeros(count, bool), np.repeat([0, 1], [6, 4]), np.r_[0:6, 0:4],
    )  # fmt: skip
    table = pd.DataFrame(
        {
            "site": ["b", "a", "gone", "a", "b"],
            "row": pd.array([1, 0, 0, 1, pd.NA], dtype="Int64"),
            "col": pd.array([1, 2, 0, 0, 0], dtype="Int64"),
            "modulus_kPa": [11.0, 2.0, 99.0, 10.0, 77.0],
        }
    )
    found = curve_values(points, ("a", "b"), _Store(), table, "modulus_kPa")
    expected = np.full(count, np.nan)
    expected[[2, 3, 6 + 3]] = 2.0, 10.0, 11.0
    np.testing.assert_array_equal(found, expected)
    assert len(curve_values(CurveLayer(), ("a", "b"), _Store(), table, "modulus_kPa")) == 0
