"""Choosing what the nanometre sites show: panel, colours, legend, click, address."""

import maps_kit as kit
import numpy as np
import pytest
from bokeh.events import Tap
from viewer_kit import tiny_store

from engine.mechanics.at_load import trigger_of
from engine.view import Box
from viewer.address import decode, encode
from viewer.gallery import Gallery
from viewer.legend import drawn, legend_html
from viewer.library import Library
from viewer.look import Look, look_of
from viewer.plane import PlaneView
from viewer.site_maps import (
    CHOICES,
    HEIGHT,
    SHADED,
    curve_under,
    largest_load,
    load_of,
    load_text,
    map_scale,
    mapped_sites,
    maps_to_draw,
    offered,
    site_maps,
)
from viewer.state import ViewState

DISC = "tiny-1"


@pytest.fixture(scope="module")
def gallery(tmp_path_factory):
    return Gallery(Library.open([kit.make_store(tmp_path_factory.mktemp("maps"))]))


@pytest.fixture
def view(gallery):
    state = ViewState(discs=[DISC], disc=DISC)
    foot = gallery.scene(DISC).sites["n001"]
    x, y = (float(w) for w in foot.centre_um)
    state.param.update(centre_x_um=x, centre_y_um=y, um_per_px=0.01, width_px=600, height_px=500)
    return PlaneView(state, gallery)


def say(view, key, value):
    view.input.on_act({"name": "panel", "value": {"of": "nano sites", "key": key, "value": value}})


def rows(view):
    panels = {panel["name"]: panel for panel in view.bridge.settings["panels"]}
    return (
        {row["key"]: row for row in panels["nano sites"]["rows"]} if "nano sites" in panels else {}
    )


def test_only_sites_with_curves_and_an_image_s_scale_are_mapped(gallery):
    assert mapped_sites(gallery.library, DISC) == ("n001",)


def test_the_panel_offers_a_load_only_where_there_is_one(view):
    assert set(rows(view)) == {"show"}
    say(view, "show", "modulus")
    assert view.state.site_map == "modulus"
    assert set(rows(view)) == {"show", "count"}
    assert rows(view)["count"]["value"] == "1 site has curves; the other keeps its image."
    say(view, "show", HEIGHT)
    assert rows(view)["load"]["high"] == pytest.approx(2.0, rel=0.02)
    assert "not stated" in rows(view)["recorded"]["value"]
    say(view, "load", 0.75)
    assert view.state.load == "0.75"
    assert rows(view)["load"]["value"] == 0.75


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("show", "wings"),
        ("show", 3),
        ("load", "1"),
        ("load", -1.0),
        ("load", float("nan")),
        ("x", 1),
    ],
)
def test_what_is_no_choice_is_left_alone(view, key, value):
    say(view, key, value)
    assert (view.state.site_map, view.state.load) == ("", "")


def test_the_choice_is_in_address_and_pictures(view):
    before = view.bridge.settings["look"]
    say(view, "show", HEIGHT)
    say(view, "load", 1.25)
    assert view.bridge.settings["look"] != before
    found = decode(encode(view.state))
    assert (found["site_map"], found["load"]) == (HEIGHT, "1.25")


def test_the_largest_load_is_the_trigger_of_the_used_curves(gallery):
    curves = gallery.library.site_curves(DISC, "n001")
    expected = trigger_of(curves["force_nN"], curves["used"].to_numpy(bool))
    assert largest_load(gallery.library, DISC) == pytest.approx(expected)


def test_adhesion_is_not_offered_without_a_way_back(gallery, monkeypatch):
    assert set(offered(gallery.library, DISC)) == set(CHOICES)
    library = Library([gallery.library.store(DISC)])
    sites = library.table(DISC, "sites").assign(adhesion_nN=np.nan)
    monkeypatch.setattr(library, "table", lambda disc, name: sites)
    assert set(offered(library, DISC)) == set(CHOICES) - {"adhesion"}


@pytest.mark.parametrize("text", ["", "wings", "-1", "nan", "inf", "1e999"])
def test_a_load_that_is_none_is_zero_force(text):
    assert load_of(text) == 0.0


def test_loads_survive_the_address():
    assert load_text(0.0) == ""
    assert load_of(load_text(1.2345)) == pytest.approx(1.234, abs=1e-3)


@pytest.mark.parametrize("choice", [c for c in CHOICES if c not in ("", SHADED)])
def test_the_plane_shows_the_values_in_the_colours_of_the_legend(gallery, choice):
    library = gallery.library
    scale = map_scale(library, choice)
    foot = gallery.scene(DISC).sites["n001"]
    values = site_maps(library, DISC, "n001").shown(choice, 1.0)
    grid = foot.grid(kit.ROWS, kit.COLS)
    for row, col in ((4, 5), (17, 12), (20, 3)):
        x, y = (float(w) for w in grid[row, col])
        look = Look(frozenset({"heights"}), "sites.pattern", site_map=choice, load="1")
        picture = gallery.draw(DISC, Box(x, y, 0.002, 9, 9), look)
        np.testing.assert_array_equal(picture.overlay[4, 4], scale.colours([values[row, col]])[0])


def test_heights_have_one_scale_from_zero_force_to_the_trigger(gallery):
    scale = map_scale(gallery.library, HEIGHT)
    maps = site_maps(gallery.library, DISC, "n001")
    low = np.nanpercentile(maps.height(maps.trigger_nN), 5)
    high = np.nanpercentile(maps.height(0.0), 95)
    assert scale.low < low
    assert scale.high > high
    assert scale.unit == "nm"
    assert map_scale(gallery.library, "modulus").unit == "kPa"
    assert map_scale(gallery.library, SHADED) is None


def test_a_shaded_surface_replaces_the_height_image(gallery):
    library, scene = gallery.library, gallery.scene(DISC)
    maps, surfaces = maps_to_draw(library, scene, DISC, SHADED, 1.0)
    assert maps is None
    (surface,) = surfaces
    assert surface.site == "n001"
    np.testing.assert_allclose(
        surface.read(), site_maps(library, DISC, "n001").height(1.0), rtol=1e-5, atol=1e-3
    )
    # its pixels are centred on the points of the map
    np.testing.assert_allclose(
        surface.footprint.pixel_centres(kit.ROWS, kit.COLS),
        scene.sites["n001"].grid(kit.ROWS, kit.COLS),
        atol=1e-9,
    )


@pytest.mark.parametrize("choice", ["", "wings"])
def test_other_choices_keep_the_images(gallery, choice):
    assert maps_to_draw(gallery.library, gallery.scene(DISC), DISC, choice, 0.0) == (None, ())


def test_the_legend_names_the_map_its_load_and_what_is_missing(view):
    gallery = view.gallery
    assert drawn(view.state, gallery).maps is None
    say(view, "show", HEIGHT)
    say(view, "load", 1.5)
    html = legend_html(drawn(view.state, gallery), True)
    assert "surface height</b> nm" in html
    assert "at 1.5 nN" in html
    assert "no curve that counts" in html
    say(view, "show", SHADED)
    assert "at 1.5 nN, shaded" in legend_html(drawn(view.state, gallery), True)
    say(view, "show", "adhesion")
    assert "adhesion</b> nN" in legend_html(drawn(view.state, gallery), True)
    view.state.param.update(centre_x_um=-900.0)
    assert "adhesion" not in legend_html(drawn(view.state, gallery), True)


def test_a_click_on_a_cell_selects_its_curve(view):
    foot = view.gallery.scene(DISC).sites["n001"]
    x, y = (float(w) for w in foot.grid(kit.ROWS, kit.COLS)[7, 11])
    say(view, "show", "modulus")
    view.input._on_tap(Tap(model=view.figure, x=x + 0.03, y=y))
    assert (view.state.site, view.state.curve) == ("n001", 7 * kit.COLS + 11)
    # far out the site is meant, not one of its cells
    view.state.param.update(um_per_px=1.0)
    view.input._on_tap(Tap(model=view.figure, x=x, y=y))
    assert (view.state.site, view.state.curve) == ("n001", None)


def test_no_cell_without_a_map(gallery):
    scene = gallery.scene(DISC)
    x, y = (float(w) for w in scene.sites["n002"].centre_um)
    assert curve_under(gallery.library, scene, DISC, "modulus", "n002", x, y) is None
    x, y = (float(w) for w in scene.sites["n001"].centre_um)
    assert curve_under(gallery.library, scene, DISC, "", "n001", x, y) is None


def test_a_disc_that_was_not_analysed_offers_nothing(tmp_path):
    gallery = Gallery(Library.open([tiny_store(tmp_path, analysed=False)]))
    view = PlaneView(ViewState(discs=[DISC], disc=DISC, site_map="modulus"), gallery)
    assert rows(view) == {}
    look = look_of(view.state)
    assert gallery.paint(DISC, look).site_maps is None
