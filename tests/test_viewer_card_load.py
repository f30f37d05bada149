"""The card's maps of surface and adhesion, the load, and the surface at zero force in words."""

import maps_kit as kit
import numpy as np
import pytest
from bokeh.events import Tap

from engine.store import open_store
from engine.view.ramps import scale_for
from viewer.card_figures import legend_html, look_of
from viewer.card_load import NO_MAPS, LoadFold
from viewer.card_load_words import surface_html
from viewer.card_turn import turn_of
from viewer.library import Library
from viewer.look import look_of as picture_of
from viewer.site_card import SiteCard
from viewer.site_maps import site_maps
from viewer.state import ViewState

DISC = "tiny-1"


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(kit.make_store(tmp_path_factory.mktemp("load")))])


@pytest.fixture
def card(library):
    state = ViewState(discs=[DISC], disc=DISC, site="n001")
    return state, SiteCard(state, library)


def fold_of(card):
    return card[1]._faces["curves"].load


def shown_on(fold, picture):
    """Values as the browser has them, brought back into the order of the curves."""
    grid = picture._grid
    values = np.empty(grid.size, np.float32)
    values[grid.ravel()] = picture._image.data["value"][0].ravel()
    return values


def test_the_fold_is_open_at_nanometre_images_and_closed_at_bead_maps(card):
    state, _ = card
    fold = fold_of(card)
    assert fold._body.visible
    state.site = "b001"
    assert not fold._body.visible
    state.site = "n001"
    assert fold._body.visible


def test_a_person_s_choice_outlasts_the_site(card):
    state, _ = card
    fold = fold_of(card)
    fold._switch._clicked()
    assert not fold._body.visible
    state.site = "b001"
    fold._switch._clicked()
    assert fold._body.visible
    state.site = "n001"
    assert fold._body.visible


def test_bead_maps_have_contact_heights_too(card, library):
    state, _ = card
    fold = fold_of(card)
    state.site = "b001"
    fold._switch._clicked()
    maps = site_maps(library, DISC, "b001")
    np.testing.assert_allclose(
        shown_on(fold, fold._height), np.round(maps.height(0.0).ravel(), 1), atol=0.06
    )
    assert "<table" not in fold._text.object


def test_maps_are_laid_as_the_modulus_map_is(card, library):
    fold = fold_of(card)
    maps = site_maps(library, DISC, "n001")
    for picture, values in (
        (fold._height, maps.height(0.0)),
        (fold._adhesion, maps.map("adhesion_nN")),
    ):
        np.testing.assert_allclose(shown_on(fold, picture), values.ravel(), atol=0.06)
    other = card[1]._faces["curves"]._picture
    np.testing.assert_array_equal(fold._height._grid, other._grid)
    turn = turn_of(library.store(DISC).sites["n001"].footprint)
    np.testing.assert_array_equal(fold._height._grid.shape, turn.array(maps.height(0.0)).shape)


def test_a_click_on_a_map_chooses_the_curve_on_all(card):
    state, _ = card
    fold = fold_of(card)
    index = 5 * kit.COLS + 7
    x, y = (float(v[0]) for v in fold._height._place(np.array([index])))
    fold._height._tapped(Tap(model=fold._height.fig, x=x, y=y))
    assert state.curve == index
    for picture in (fold._height, fold._adhesion, card[1]._faces["curves"]._picture):
        np.testing.assert_allclose(picture._chosen.data["x"], [x])


def test_the_load_is_shown_and_told_to_the_plane(card, library):
    state, _ = card
    fold = fold_of(card)
    state.site_map = "height"
    before = picture_of(state)
    fold._slider.value = 1.2
    assert state.load == "1.2"
    assert picture_of(state) != before
    np.testing.assert_allclose(
        shown_on(fold, fold._height),
        site_maps(library, DISC, "n001").height(1.2).ravel(),
        atol=0.06,
    )
    assert "at 1.2 nN" in fold._legends[0].object


def test_the_plane_s_load_is_shown_on_the_card(card):
    state, _ = card
    fold = fold_of(card)
    state.load = "0.5"
    assert fold._slider.value == pytest.approx(0.5)
    assert "at 0.5 nN" in fold._legends[0].object
    state.load = "900"  # beyond this site's trigger
    assert fold._slider.value == fold._slider.end
    assert state.load == "900"
    state.load = ""
    assert "at zero force" in fold._legends[0].object


def test_a_load_that_the_plane_does_not_show_draws_no_picture_anew(card):
    state, _ = card
    state.site_map = "modulus"
    before = picture_of(state)
    fold_of(card)._slider.value = 0.8
    assert picture_of(state) == before


def test_colours_of_the_surface_hold_at_every_load(card):
    fold = fold_of(card)
    scale = fold._scale
    fold._slider.value = 1.9
    assert fold._scale == scale
    place = fold._height._image.data["image"][0]
    assert np.nanmin(place) >= 0.0
    assert np.nanmean(place) < np.nanmean(scale.fraction(fold._maps.height(0.0)))


def test_words_of_the_surface(library):
    kept = site_maps(library, DISC, "n001").kept
    html = surface_html(kept, True)
    for name in ("zero", "loaded", "image"):
        assert f"{kept[f'surface.{name}.Sq_nm']:.3g}" in html
    assert "at 2.0" in html
    assert "not stated" in html
    assert "do not compare" in html
    assert "too far apart to measure fibrils" in html
    assert "fibril thickness" not in html  # not a row of dashes
    assert f"{kept['match.correlation']:.4g}" in html
    assert "fits the curves best at" in html
    alone = surface_html(kept | {"match.points": 0}, False)
    assert "not stated" not in alone
    assert "correlation" not in alone


def test_thickness_stands_where_it_was_measured(library):
    kept = site_maps(library, DISC, "n001").kept
    kept = kept | {f"surface.{n}.thickness_median_nm": 61.0 for n in ("zero", "loaded", "image")}
    assert "fibril thickness, median" in surface_html(kept, True)


def test_a_run_without_maps_says_so(library, monkeypatch):
    monkeypatch.setattr("viewer.card_load.site_maps", lambda *_: None)
    state = ViewState(discs=[DISC], disc=DISC, site="n001")
    card = SiteCard(state, library)
    fold = card._faces["curves"].load
    assert fold._text.object == NO_MAPS
    state.load = "1"  # nothing to show it on


def test_a_fold_without_a_site_draws_nothing(library):
    told = []
    fold = LoadFold(look_of(True), library, told.append, told.append)
    fold._switch._clicked()
    fold.show_load(1.0)
    assert told == []


def test_values_of_a_narrow_legend_keep_apart():
    scale = fold_scale()
    narrow, wide = legend_html(scale, 0.3), legend_html(scale)
    assert narrow.count("<span") <= wide.count("<span")
    lefts = [float(part.split("%")[0]) for part in narrow.split("left:")[1:]]
    assert all(b - a > 30 for a, b in zip([0.0, *lefts], [*lefts, 100.0], strict=True))


def fold_scale():
    return scale_for("curves", "adhesion_nN", np.geomspace(0.003, 0.3, 50))
