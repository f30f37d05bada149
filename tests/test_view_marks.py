import io
import struct
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from skimage.color import rgb2lab

from engine.cells.patterns import PATTERNS
from engine.footprint import Footprint
from engine.view import Box, CellLayer, CurveLayer, Paint, Painter, Scene, encode_layers, encode_png
from engine.view import cells as cell_drawing
from engine.view.cells import cell_colours
from engine.view.curves import curve_radius_px
from engine.view.glyphs import PATTERN_GLYPHS
from engine.view.hit import nearest_curve, nearest_site
from engine.view.marks import draw_discs, draw_lines, gather_density
from engine.view.picture import PAPER
from engine.view.ramps import (
    ColourScale,
    QuantityKind,
    kind_of,
    lookup,
    pattern_colours,
    scale_for,
)

EXTENT = (0.0, 0.0, 200.0, 200.0)


def cells(pattern: list[int]) -> CellLayer:
    n = len(pattern)
    return CellLayer(
        x_um=20.0 + 40.0 * np.arange(n),
        y_um=np.full(n, 50.0),
        diameter_um=np.full(n, 7.0),
        pattern=np.array(pattern),
        links=np.array([[i, i + 1] for i in range(n - 1)]).reshape(-1, 2),
    )


def overlay(scene: Scene, box: Box, *layers: str, **paint: object) -> np.ndarray:
    return Painter().draw(scene, box, Paint(frozenset(layers), **paint)).overlay  # type: ignore[arg-type]


@pytest.mark.parametrize("dark", [True, False])
def test_dots_have_the_colour_of_their_pattern_at_their_place(dark: bool) -> None:
    layer = cells([0, 1, 2, 3, 4])
    scene = Scene("s", EXTENT, cells=layer)
    box = Box(100.0, 50.0, 1.0, 200, 100)
    rgba = overlay(scene, box, "cells", dark=dark)
    x, y = box.pixels_of(layer.x_um, layer.y_um)
    for i in range(5):
        at = rgba[round(y[i]), round(x[i])]
        np.testing.assert_array_equal(at[:3], pattern_colours(dark)[i])
        assert at[3] == 255


def test_a_cell_without_a_value_is_hollow_and_one_without_a_pattern_is_grey() -> None:
    layer = cells([0, -1])
    clear = np.zeros((2, 4), np.uint8)
    box = Box(40.0, 50.0, 0.6, 200, 100)
    rgba = overlay(Scene("s", EXTENT, cells=layer), box, "cells", cell_colours=clear)
    x, y = box.pixels_of(layer.x_um, layer.y_um)
    assert rgba[round(y[0]), round(x[0]), 3] == 0
    assert rgba[..., 3].any()
    assert len(set(cell_colours(layer, True)[1, :3].tolist())) == 1


def test_rings_leave_the_nucleus_free_and_links_end_at_them() -> None:
    layer = cells([0, 0])
    box = Box(40.0, 50.0, 0.2, 400, 200)
    rgba = overlay(Scene("s", EXTENT, cells=layer), box, "cells", "links")
    x, y = box.pixels_of(layer.x_um, layer.y_um)
    ring = 0.5 * cell_drawing.RING * 7.0 / 0.2
    assert rgba[round(y[0]), round(x[0]), 3] == 0
    assert rgba[round(y[0]), round(x[0] + ring), 3] > 200
    assert rgba[round(y[0]), round(x[0] + 0.5 * ring), 3] == 0
    assert rgba[round(y[0]), round((x[0] + x[1]) / 2), 3] > 100


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 60), st.integers(0, 1000))
def test_a_cloud_does_not_depend_on_the_order_and_covers_as_it_says(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.full(n, 7.0), np.full(n, 5.0)
    kind = rng.integers(0, 3, n)
    colours = np.array([[250.0, 0, 0], [0, 250.0, 0], [0, 0, 250.0]])
    one, two = (np.zeros((12, 16, 4), np.uint8) for _ in range(2))
    gather_density(x, y, kind, colours, 0.3, one)
    order = rng.permutation(n)
    gather_density(x, y, kind[order], colours, 0.3, two)
    assert np.abs(one.astype(int) - two).max() <= 1
    assert one[5, 7, 3] == pytest.approx(255 * (1 - 0.7**n), abs=1)
    np.testing.assert_allclose(one[5, 7, :3], np.bincount(kind, minlength=3) / n * 250, atol=1)


def test_many_cells_become_a_cloud(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cell_drawing, "CLOUD_FROM_CELLS", 3)
    rgba = overlay(
        Scene("s", EXTENT, cells=cells([0, 1, 2, 3, 4])), Box(100, 50, 1, 200, 100), "cells"
    )
    assert rgba[..., 3].max() < 255  # one point on one pixel covers less than a full dot


def test_discs_cover_their_area_and_lines_their_length() -> None:
    rgba = np.zeros((80, 80, 4), np.uint8)
    red = np.array([[255, 0, 0, 255]], np.uint8)
    draw_discs(rgba, np.array([40.3]), np.array([39.6]), np.array([12.5]), np.zeros(1), red)
    assert rgba[..., 3].sum() / 255 == pytest.approx(np.pi * 12.5**2, rel=0.01)
    ring = np.zeros((80, 80, 4), np.uint8)
    draw_discs(ring, np.array([40.3]), np.array([39.6]), np.array([20.0]), np.array([3.0]), red)
    assert ring[..., 3].sum() / 255 == pytest.approx(2 * np.pi * 20 * 3, rel=0.01)
    for x1, y1 in ((70.0, 12.0), (10.0, 70.0), (70.0, 10.0), (11.0, 68.5)):
        line = np.zeros((80, 80, 4), np.uint8)
        ends = (np.array([v]) for v in (10.0, 10.0, x1, y1))
        draw_lines(line, *ends, 1.5, red)
        drawn = np.hypot(x1 - 10, y1 - 10) * 3.0 + np.pi * 1.5**2
        assert line[..., 3].sum() / 255 == pytest.approx(drawn, rel=0.02)


def test_half_a_colour_over_another_is_their_mean() -> None:
    rgba = np.zeros((9, 9, 4), np.uint8)
    middle, big = np.array([4.0]), np.array([6.0])
    draw_discs(rgba, middle, middle, big, np.zeros(1), np.array([[200, 0, 0, 255]], np.uint8))
    draw_discs(rgba, middle, middle, big, np.zeros(1), np.array([[0, 100, 0, 128]], np.uint8))
    np.testing.assert_allclose(rgba[4, 4], [100, 50, 0, 255], atol=1)


def maps() -> CurveLayer:
    x, y = (v.ravel() for v in np.meshgrid(np.arange(4) * 5.0, np.arange(4) * 5.0))
    used = np.ones(16, bool)
    used[5] = False
    return CurveLayer(
        x, y, used, np.full(16, 5.0), np.zeros(16, bool), np.zeros(16, int), np.arange(16)
    )


def test_points_of_a_map_are_shown_when_there_is_room_and_hollow_when_not_used() -> None:
    layer = maps()
    scene = Scene("s", EXTENT, curves=layer)
    colours = np.full((16, 4), (10, 200, 30, 255), np.uint8)
    far = overlay(scene, Box(7.5, 7.5, 2.0, 100, 100), "curves", curve_colours=colours)
    assert not far[..., 3].any()
    box = Box(7.5, 7.5, 0.1, 240, 240)
    rgba = overlay(scene, box, "curves", curve_colours=colours)
    x, y = (v.round().astype(int) for v in box.pixels_of(layer.x_um, layer.y_um))
    np.testing.assert_array_equal(rgba[y[0], x[0]], (10, 200, 30, 255))
    assert rgba[y[5], x[5], 3] == 0
    none = overlay(scene, box, "curves")
    assert none[y[0], x[0], 3] == 0


def test_points_over_a_height_image_wait_and_stay_small() -> None:
    over = CurveLayer(*np.zeros((2, 1)), np.ones(1, bool), np.array([0.1]), np.ones(1, bool))
    beside = CurveLayer(*np.zeros((2, 1)), np.ones(1, bool), np.array([0.1]), np.zeros(1, bool))
    assert curve_radius_px(over, 0.01)[0] == 0 < curve_radius_px(beside, 0.01)[0]
    assert 0 < curve_radius_px(over, 0.004)[0] < curve_radius_px(beside, 0.004)[0]


def square(x: float, y: float, size: float) -> Footprint:
    return Footprint(np.array([x, y]), np.array([1.0, 0]), np.array([0, -1.0]), size, size)


def test_a_click_means_what_the_eye_sees() -> None:
    sites = {
        "map": square(100, 100, 40),
        "image": square(105, 103, 4),
        "other": square(180, 100, 40),
    }
    assert nearest_site(sites, 90, 90, 0.5) == "map"
    assert nearest_site(sites, 105, 103, 0.5) == "image"  # smaller than its mark, still a mark
    assert nearest_site(sites, 104, 102, 0.1) == "image"
    assert nearest_site(sites, 80 - 4, 80, 0.5) == "map"  # a point on the map's edge
    assert nearest_site(sites, 150, 100, 0.5) is None
    assert nearest_site(sites, 150, 100, 3.0) == "other"
    assert nearest_site(sites, 400, 400, 5.0) is None


def test_a_click_on_a_point_means_its_curve() -> None:
    layer = maps()
    assert nearest_curve(layer, 0, 5.2, 10.1, 0.1) == 9
    assert nearest_curve(layer, 0, 7.5, 7.5, 0.1) is None
    assert nearest_curve(layer, 0, 5.2, 10.1, 5.0) is None  # nothing is drawn that far away
    assert nearest_curve(layer, 1, 5.2, 10.1, 0.1) is None


def decode(body: bytes) -> tuple[Image.Image, Image.Image | None]:
    (first,) = struct.unpack("<I", body[:4])
    above = body[4 + first :]
    opened = Image.open(io.BytesIO(above)) if above else None
    return Image.open(io.BytesIO(body[4 : 4 + first])), opened


def test_marks_travel_without_loss_and_only_the_mosaic_may_lose() -> None:
    picture = Painter().draw(
        Scene("s", EXTENT, cells=cells([0, 1, 2])),
        Box(60, 50, 0.5, 200, 100),
        Paint(frozenset({"cells"})),
    )
    below, above = decode(encode_layers(picture))
    assert below.format == "JPEG"
    assert above is not None
    sent = np.asarray(above.convert("RGBA"))
    shown = picture.overlay[..., 3] > 0
    np.testing.assert_array_equal(sent[shown], picture.overlay[shown])
    np.testing.assert_array_equal(sent[..., 3], picture.overlay[..., 3])
    exact, _ = decode(encode_layers(type(picture)(picture.grey, picture.overlay, False)))
    assert exact.format == "WEBP"
    np.testing.assert_array_equal(np.asarray(exact.convert("L")), picture.grey)
    whole = np.asarray(Image.open(io.BytesIO(encode_png(picture))))
    np.testing.assert_array_equal(whole, picture.rgba()[..., :3])


@pytest.mark.parametrize("kind", ["stiffness", "length", "force", "density", "share", "pattern"])
def test_maps_grow_evenly_in_lightness(kind: QuantityKind) -> None:
    lightness = rgb2lab(lookup(kind)[None].astype(float) / 255)[0, :, 0]
    steps = np.diff(lightness[::16])
    assert (steps > 0).all()
    assert steps.max() < 2.5 * np.median(steps)


@pytest.mark.parametrize("dark", [True, False])
def test_patterns_are_five_steps_that_lightness_alone_tells_apart(dark: bool) -> None:
    lightness = rgb2lab(pattern_colours(dark)[None].astype(float) / 255)[0, :, 0]
    assert (np.diff(lightness) > 8).all()
    ground = 5.0 if dark else 98.0
    assert np.abs(lightness - ground).min() > 20


def test_glyphs_look_like_their_arrangement() -> None:
    assert list(PATTERN_GLYPHS) == list(PATTERNS)
    spread = {name: np.ptp(dots[:, :2], axis=0) for name, dots in PATTERN_GLYPHS.items()}
    assert spread["string"][0] == 0 < spread["string"][1]
    assert len(np.unique(PATTERN_GLYPHS["double_string"][:, 0])) == 2
    assert len(PATTERN_GLYPHS["small_cluster"]) < len(PATTERN_GLYPHS["big_cluster"])
    assert spread["small_cluster"].max() < spread["big_cluster"].max()
    for dots in PATTERN_GLYPHS.values():
        assert (np.abs(dots[:, :2]) + dots[:, 2:] <= 1.0).all()


def test_scales_have_round_ends_and_no_colour_for_no_value() -> None:
    rng = np.random.default_rng(0)
    scale = scale_for("sites", "modulus_kPa", np.append(rng.uniform(101, 433, 500), [9e9, np.nan]))
    assert (scale.kind, scale.unit, scale.logarithmic) == ("stiffness", "kPa", False)
    assert scale.low % 10 == scale.high % 10 == 0
    assert 90 <= scale.low <= 110
    assert 420 <= scale.high <= 480
    rgba = scale.colours([scale.low, scale.high, np.nan, -5.0])
    np.testing.assert_array_equal(rgba[0, :3], lookup("stiffness")[0])
    np.testing.assert_array_equal(rgba[1, :3], lookup("stiffness")[-1])
    np.testing.assert_array_equal(rgba[:, 3], [255, 255, 0, 255])
    np.testing.assert_array_equal(rgba[3], rgba[0])


def test_moduli_fill_the_map_however_they_are_spread() -> None:
    # most sites soft, some stiff, one beyond all reason: as on a worn disc
    rng = np.random.default_rng(4)
    moduli = np.concatenate([rng.lognormal(np.log(80), 0.3, 60), rng.lognormal(6, 0.3, 25), [9e4]])
    scale = scale_for("sites", "modulus_kPa", moduli)
    assert scale.logarithmic
    place = scale.fraction(moduli)
    assert scale.high < 2000
    assert np.percentile(place, 75) - np.percentile(place, 10) > 0.4
    assert (place < 0.05).mean() < 0.1
    assert len(scale.ticks()) >= 4
    # counts and shares keep even steps
    assert not scale_for("sites", "cells_in_window", [1.0, 3.0, 9.0, 30.0, 80.0]).logarithmic
    assert not scale_for("cells", "pattern_confidence", [0.02, 0.5, 0.7, 0.9, 1.0]).logarithmic


def test_the_lowest_colour_stands_out_from_the_dark_ground() -> None:
    def luminance(rgb: Any) -> float:  # WCAG 2.2, "relative luminance"
        c = np.asarray(rgb) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    ground = luminance([PAPER[True]] * 3) + 0.05
    for kind in get_args(QuantityKind):
        lowest = min(luminance(rgb) for rgb in lookup(kind)) + 0.05
        assert lowest / ground >= 3.4, kind


def test_wide_quantities_are_logarithmic_and_angles_and_patterns_fixed() -> None:
    wide = scale_for("sites", "modulus_kPa", np.logspace(0, 4, 100))
    assert wide.logarithmic
    assert wide.fraction([0.0])[0] != wide.fraction([0.0])[0]  # no logarithm of nothing
    assert all(
        np.isclose(np.log10(t) % 1, [0, 0.30103, 0.69897, 1]).any() for t in wide.ticks()[1:-1]
    )
    angle = scale_for("sites", "fibril_angle_deg", [10.0, 20.0])
    assert (angle.low, angle.high, angle.kind) == (0, 180, "angle")
    index = scale_for("sites", "pattern_index", [1.0, 2.0])
    assert (index.low, index.high) == (0, 4)
    assert kind_of("sites", "cells_in_window") == "density"
    assert kind_of("cells", "pattern_confidence") == "share"


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True, width=32), max_size=20))
def test_a_scale_can_be_had_for_any_values(values: list[float]) -> None:
    scale = scale_for("sites", "Sq_nm", values)
    assert scale.high > scale.low
    assert np.isfinite([scale.low, scale.high]).all()
    assert np.isclose(scale.ticks()[0], scale.low, rtol=1e-12, atol=0)
    assert scale.colours(values or [1.0]).shape[1] == 4


def test_ticks_are_round() -> None:
    scale = ColourScale("length", 0.0, 450.0, False, "Sq", "nm")
    assert scale.ticks() == [0.0, 200.0, 400.0, 450.0]
