"""Fields in the plane: colours, hatching, strokes, the panel, the legend, runs without fields."""

import shutil

import numpy as np
import pytest
from viewer_kit import tiny_store

from engine.footprint import Footprint
from engine.store import open_store
from engine.view import Box, FieldLayer
from engine.view.fields import THIN, VEIL, draw_field, stroke_places
from engine.view.ramps import ColourScale, lookup
from viewer.fields import NAMES, field_layer, field_scale, fields_of_disc
from viewer.gallery import Gallery
from viewer.legend import drawn, legend_html
from viewer.library import Library
from viewer.look import Look
from viewer.panel_field import FieldPanel
from viewer.state import ViewState

SCALE = ColourScale("pattern", 0.0, 4.0, False, "pattern index", "")
BOX = Box(100.0, 100.0, 1.0, 200, 200)


def layer(values, good=True, **more):
    values = np.asarray(values, float)
    return FieldLayer((5.0, 5.0), 10.0, values, np.broadcast_to(good, values.shape), **more)


def overlay(field, box=BOX, dark=True, free=()):
    rgba = np.zeros((box.height_px, box.width_px, 4), np.uint8)
    draw_field(field, box, dark, free, rgba)
    return rgba


def test_a_value_has_its_colour_at_its_place():
    values = np.full((20, 20), 0.0)
    values[:, 10:] = 4.0
    rgba = overlay(layer(values, scale=SCALE))
    np.testing.assert_array_equal(rgba[100, 40, :3], lookup("pattern")[0])
    np.testing.assert_array_equal(rgba[100, 160, :3], lookup("pattern")[-1])
    assert (rgba[..., 3] == int(255 * VEIL)).all()


def test_blank_pixels_show_nothing_and_lend_nothing():
    values = np.full((20, 20), np.nan)
    values[5:15, 5:15] = 3.0
    rgba = overlay(layer(values, scale=SCALE))
    assert not rgba[:49, :, 3].any()
    assert not rgba[:, 151:, 3].any()
    inner = rgba[50:150, 50:150]
    assert (inner[..., 3] > 0).all()
    assert len(np.unique(inner[..., :3].reshape(-1, 3), axis=0)) == 1


def test_little_support_is_hatched():
    good = np.ones((20, 20), bool)
    good[:, :10] = False
    alpha = overlay(layer(np.ones((20, 20)), good, scale=SCALE))[..., 3]
    assert set(np.unique(alpha[:, 110:])) == {int(255 * VEIL)}
    assert set(np.unique(alpha[:, :90])) == {int(255 * VEIL), int(255 * THIN)}


def test_height_images_are_left_free():
    foot = Footprint(np.array([100.0, 100.0]), *np.eye(2), 40.0, 40.0)
    alpha = overlay(layer(np.ones((20, 20)), scale=SCALE), free=(foot,))[..., 3]
    assert not alpha[85:115, 85:115].any()
    assert alpha[60, 60]


@pytest.mark.parametrize("degrees", [0.0, 45.0, 90.0, 150.0])
def test_strokes_run_the_way_the_field_says(degrees):
    field = layer(np.full((20, 20), degrees), order=np.ones((20, 20)))
    rows, cols = np.nonzero(overlay(field)[..., 3])
    i, j, _ = stroke_places(field, BOX)
    k = np.argmin(np.hypot(10 * i - 95, 10 * j - 95))
    y, x = 10.0 * i[k] + 4.5, 10.0 * j[k] + 4.5
    near = np.hypot(rows - y, cols - x) < 15
    dx, dy = cols[near] - x, -(rows[near] - y)
    axis = np.degrees(0.5 * np.arctan2((2 * dx * dy).sum(), (dx**2 - dy**2).sum())) % 180
    assert min(abs(axis - degrees), 180 - abs(axis - degrees)) < 4


def test_strokes_shrink_to_dots_where_there_is_no_order():
    ordered = overlay(layer(np.zeros((20, 20)), order=np.ones((20, 20))))
    mixed = overlay(layer(np.zeros((20, 20)), order=np.zeros((20, 20))))
    assert (mixed[..., 3] > 0).sum() < 0.5 * (ordered[..., 3] > 0).sum()


def test_strokes_stay_where_they_are_when_the_view_moves():
    field = layer(np.zeros((40, 40)), order=np.ones((40, 40)))
    here = set(zip(*stroke_places(field, BOX)[:2], strict=True))
    there = set(zip(*stroke_places(field, Box(120.0, 130.0, 1.0, 200, 200))[:2], strict=True))
    assert here & there
    assert len({i % 4 for i, _ in here | there}) == 1


@pytest.fixture(scope="module")
def store_path(tmp_path_factory):
    return tiny_store(tmp_path_factory.mktemp("fields"))


@pytest.fixture(scope="module")
def gallery(store_path):
    return Gallery(Library([open_store(store_path)]))


@pytest.fixture
def state(gallery):
    disc = gallery.library.discs[0]
    return ViewState(discs=[disc], disc=disc, width_px=300, height_px=300)


def test_a_run_keeps_its_fields(gallery):
    disc = gallery.library.discs[0]
    kept = gallery.library.store(disc).detail("fields")
    shown = fields_of_disc(gallery.library, disc)
    assert kept["axes"] == ["y", "x"]
    assert kept["scale"] == [shown.pixel_um] * 2
    assert kept["translation"] == [shown.origin_y_um, shown.origin_x_um]
    total = np.nansum(shown.density_per_mm2) * 1e-6 * shown.pixel_um**2
    assert total == pytest.approx(len(gallery.library.table(disc, "cells")), rel=0.3)


def test_a_run_without_fields_gets_them_from_its_tables(gallery, store_path, tmp_path):
    copy = tmp_path / "old.zarr"
    shutil.copytree(store_path, copy)
    old = open_store(copy)
    shutil.rmtree(copy / "runs" / old.current_run / "fields")
    library = Library([open_store(copy)])
    disc = library.discs[0]
    for name in NAMES:
        np.testing.assert_allclose(
            getattr(fields_of_disc(library, disc), name),
            getattr(fields_of_disc(gallery.library, disc), name),
            rtol=1e-4,
            atol=1e-4,
        )


def test_the_panel_chooses_and_explains(state, gallery):
    panel = FieldPanel(state, gallery)
    assert [row.key for row in panel.rows()] == ["show"]
    panel.act("show", "density_per_mm2")
    assert state.field == "density_per_mm2"
    assert "80 µm" in panel.rows()[1].value
    panel.act("show", "no such field")
    assert state.field == "density_per_mm2"
    panel.act("show", "")
    assert state.field == ""


@pytest.mark.parametrize("name", NAMES)
def test_the_legend_tells_what_is_drawn(state, gallery, name):
    state.field = name
    html = legend_html(drawn(state, gallery), dark=True)
    assert NAMES[name] in html
    assert "little support" in html


@pytest.mark.parametrize("name", [*NAMES, "nonsense", ""])
def test_a_picture_is_drawn_with_any_field(state, gallery, name):
    disc = gallery.library.discs[0]
    x0, y0, x1, y1 = gallery.scene(disc).extent_um
    box = Box((x0 + x1) / 2, (y0 + y1) / 2, 1.0, 200, 200)
    picture = gallery.draw(disc, box, Look(frozenset({"mosaic"}), "sites.modulus_kPa", field=name))
    assert picture.overlay[..., 3].any() == (
        name in ("pattern_index", "density_per_mm2", "angle_deg")
    )


def test_density_starts_at_none(gallery):
    scale = field_scale(gallery.library, "density_per_mm2")
    assert not scale.logarithmic
    assert scale.unit == "1/mm²"
    assert field_layer(gallery.library, gallery.library.discs[0], "angle_deg").order is not None
