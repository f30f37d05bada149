"""All curves of a map in one picture: none is dropped, and each starts at its contact."""

import card_kit
import holoviews as hv
import numpy as np
import pytest

from engine.store import open_store
from viewer.card_cloud import cloud_html
from viewer.card_cloud_facts import FAINTEST, Box, curve_cloud, density, over
from viewer.card_facts import map_facts, site_facts
from viewer.library import Library
from viewer.site_card import SiteCard
from viewer.state import ViewState


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("cloud")))])


@pytest.fixture(scope="module")
def b001(library):
    facts = site_facts(library, "tiny-1", "b001")
    return facts, map_facts(library, facts)


def lines(curve):
    """The single curves of a long line with gaps."""
    x, y = (curve.dimension_values(i) for i in range(2))
    ends = np.flatnonzero(np.isnan(x))
    return [(x[a:b], y[a:b]) for a, b in zip([0, *(ends[:-1] + 1)], ends, strict=True)]


def test_every_curve_that_was_taken_is_in_it(library, b001):
    cloud = curve_cloud(library, *b001, False)
    found = b001[1]
    assert len(lines(cloud.used)) == cloud.curves_used == found.used.sum() == 13
    assert len(lines(cloud.left_out)) == cloud.curves_left_out == (found.taken & ~found.used).sum()
    assert cloud.curves_used + cloud.curves_left_out == found.taken.sum()


def test_each_starts_to_bend_where_the_axis_is_zero(library, b001):
    # physics: before contact there is no force, beyond it the deflection rises
    for x, y in lines(curve_cloud(library, *b001, False).used):
        assert abs(y[x < 0].mean()) < 0.2
        assert y[x > 0.9 * x.max()].mean() > 5


def test_force_is_the_spring_times_deflection(library, b001):
    drive, force = (curve_cloud(library, *b001, mode).used for mode in (False, True))
    k = b001[0].probe["spring_constant_N_per_m"]
    push, pull = drive.dimension_values(1), force.dimension_values(1)
    known = np.isfinite(push)
    assert np.allclose(pull[known], k * push[known])
    # drive = depth + deflection
    depth = force.dimension_values(0)[known]
    assert np.allclose(depth, 1e3 * drive.dimension_values(0)[known] - push[known])


def test_axes_have_names_of_their_own_and_units(library, b001):
    labels = [
        d.pprint_label
        for m in (False, True)
        for d in curve_cloud(library, *b001, m).used.dimensions()
    ]
    assert labels == [
        "drive past contact (µm)",
        "deflection less baseline (nm)",
        "indentation (nm)",
        "force (nN)",
    ]
    names = {
        d.name for m in (False, True) for d in curve_cloud(library, *b001, m).used.dimensions()
    }
    assert all(name.startswith("cloud_") for name in names)


def test_more_curves_at_one_place_are_more_opaque():
    x = np.tile([0.0, 1.0, np.nan], 5)
    y = np.repeat([1.0, 1.0, 1.0, 1.0, 2.0], 3)
    y[2::3] = np.nan
    picture = density(hv.Curve((x, y)), 5, Box(0.0, 1.0, 0.0, 3.0), "#d4d4d4")
    alpha = picture[..., 3]
    rows = len(alpha)
    many, one = alpha[rows // 3 - 3 : rows // 3 + 4], alpha[2 * rows // 3 - 3 : 2 * rows // 3 + 4]
    assert many.max() == 255
    assert FAINTEST <= one.max() < 200
    assert set(np.unique(picture[alpha > 0][:, :3])) == {0xD4}
    assert not density(hv.Curve((x, y)), 0, Box(0.0, 1.0, 0.0, 3.0), "#d4d4d4").any()


def test_a_box_beside_the_curves_is_empty(library, b001):
    cloud = curve_cloud(library, *b001, False)
    away = Box(cloud.whole.x0, cloud.whole.x1, 1e6, 2e6)
    assert not density(cloud.used, cloud.curves_used, away, "#d4d4d4")[..., 3].any()


def test_laying_over_follows_the_usual_rule():
    clear, red = np.zeros((1, 1, 4), np.uint8), np.array([[[255, 0, 0, 255]]], np.uint8)
    half = np.array([[[0, 0, 255, 128]]], np.uint8)
    assert (over(clear, half) == half).all()
    assert (over(half, red) == red).all()
    assert over(red, half)[0, 0].tolist() == [127, 0, 128, 255]


def shown_card(library, **what):
    state = ViewState(discs=["tiny-1"], disc="tiny-1", **what)
    card = SiteCard(state, library)
    return state, card._faces["curves"]


def test_the_choice_swaps_the_figures_and_follows_the_curve(library):
    state, face = shown_card(library, site="b001", curve=0)
    assert face._single.visible
    assert not face._together.visible
    assert not face._cloud._image.data["image"]  # nothing is drawn that nobody asked for
    face._show_all(True)
    assert face._together.visible
    assert not face._single.visible
    assert face._cloud._image.data["image"][0].dtype == np.uint32
    first = np.array(face._cloud._chosen.data["y"])
    state.curve = 5
    assert not np.array_equal(first, face._cloud._chosen.data["y"])
    face._show_force(True)
    assert face._cloud.fig.yaxis[0].axis_label == "force (nN)"
    state.curve = card_kit.UNTOUCHED
    state.select("b002")
    assert "none is left out" in face._cloud_text.object


def test_a_dragged_box_is_drawn_anew(library):
    _, face = shown_card(library, site="b001", curve=0)
    face._show_all(True)
    before = face._cloud._image.data["image"][0]

    class Ranges:
        x0, x1, y0, y1 = 0.0, 0.2, -1.0, 20.0

    face._cloud._zoomed(Ranges())
    data = face._cloud._image.data
    assert (data["x"][0], data["dw"][0], data["dh"][0]) == (0.0, 0.2, 21.0)
    assert not np.array_equal(before, data["image"][0])


def test_the_words_count_what_is_left_out(b001):
    text = cloud_html(b001[1], False)
    assert "13 curves that count" in text
    assert "2 left out" in text
    assert "1 never touched" in text
