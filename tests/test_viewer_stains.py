"""Stains in the viewer: their text, the panel's rows and what it does, the legend, the picture."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_store_labels import STAINS, store  # noqa: F401 - the fixture

from engine.view import Box
from engine.view.stains import INKS
from viewer.address import apply, encode
from viewer.gallery import Gallery
from viewer.legend import drawn, legend_html
from viewer.library import Library
from viewer.look import Look, look_of, read_look
from viewer.panel_stains import StainsPanel
from viewer.stains import Choice, default_choices, read_choices, write_choices
from viewer.state import CHOICE, ViewState

NAMES = tuple(STAINS)


@pytest.fixture(scope="module")
def gallery(store):  # noqa: F811
    return Gallery(Library([store]))


@pytest.fixture
def state(gallery):
    disc = gallery.library.discs[0]
    state = ViewState(discs=[disc], disc=disc)
    x0, y0, x1, y1 = gallery.scene(disc).extent_um
    state.param.update(
        centre_x_um=(x0 + x1) / 2, centre_y_um=(y0 + y1) / 2, um_per_px=1.0, width_px=300,
        height_px=300,
    )  # fmt: skip
    return state


@pytest.fixture
def panel(state, gallery):
    return StainsPanel(state, gallery)


numbers = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: float(f"{v:.6g}"))
windows = st.tuples(numbers, numbers).filter(lambda w: w[0] < w[1])


@given(st.tuples(*(
    st.builds(Choice, st.just(i), st.booleans(), st.sampled_from(list(INKS)), st.none() | windows)
    for i in range(3)
)))  # fmt: skip
def test_a_text_says_what_was_chosen(chosen):
    text = write_choices(chosen, NAMES)
    assert CHOICE.fullmatch(text)
    assert read_choices(text, NAMES) == chosen


def test_nothing_chosen_is_no_text_and_the_nuclei_alone():
    assert write_choices(default_choices(NAMES), NAMES) == ""
    assert [c.shown for c in read_choices("", NAMES)] == [False, True, False]
    assert read_choices("", NAMES)[1].ink == "w"


@pytest.mark.parametrize(
    "text",
    ["red,o", "live", "nuclei,q", "live,o:5~2", "live,o:a~b", "live,o:nan~3", "~;;:", "live,o 1"],
)
def test_a_text_that_cannot_be_changes_nothing_it_should_not(text):
    found = read_choices(text, NAMES)
    assert len(found) == 3
    assert all(c.window is None for c in found)
    assert found[1] == default_choices(NAMES)[1]


def test_the_panel_has_a_line_for_each_stain(panel, state):
    rows = panel.rows()
    assert [row.label for row in rows if row.kind == "toggle"] == list(NAMES)
    assert [row.value for row in rows if row.kind == "toggle"] == [False, True, False]
    for row in rows:
        if row.kind == "span":
            assert row.low <= row.value[0] < row.value[1] <= row.high
    state.layers = [layer for layer in state.layers if layer != "mosaic"]
    assert panel.rows() == []


def test_what_a_person_changes_is_kept_in_the_address(panel, state):
    panel.act("show 2", True)
    chosen = read_choices(state.stains, NAMES)
    assert [c.shown for c in chosen] == [False, True, True]
    assert chosen[1].ink != "w"  # white nuclei would wash out what lies over them
    panel.act("ink 2", "#e69f00")
    panel.act("window 2", [150, 600.5])
    assert read_choices(state.stains, NAMES)[2] == Choice(2, True, "o", (150.0, 600.5))
    other = ViewState(discs=list(state.discs), disc=state.disc)
    assert apply(other, encode(state))
    assert other.stains == state.stains
    panel.act("auto 2", True)
    assert read_choices(state.stains, NAMES)[2].window is None
    panel.act("show 2", False)
    panel.act("reset", True)
    assert state.stains == ""


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("show 7", True), ("show x", True), ("ink 0", "#123456"), ("ink 0", None), ("what 0", 1),
        ("window 0", [5, 2]), ("window 0", "5"), ("window 0", [float("nan"), 1]),
        ("window 0", None),
    ],
)  # fmt: skip
def test_what_cannot_be_is_left_alone(panel, state, key, value):
    panel.act(key, value)
    assert state.stains == ""


def test_the_legend_names_the_stains_that_are_shown(state, gallery):
    assert drawn(state, gallery).stains == (("nuclei", "#f0f0f0"),)
    state.stains = "live,o;collagen_II,g"
    shown = drawn(state, gallery)
    assert [name for name, _ in shown.stains] == list(NAMES)
    html = legend_html(shown, state.dark)
    assert all(f"<span>{name}</span>" in html for name in NAMES)
    state.layers = []
    assert drawn(state, gallery).stains == ()


def test_the_picture_has_the_stains_colours(state, gallery):
    state.param.update(stains="live,o:80~900;.nuclei,b", layers=["mosaic"])
    look = look_of(state)
    query = dict(pair.split("=") for pair in look.query().split("&"))
    assert "st" in query
    given_back = read_look({"st": state.stains, "l": "mosaic"}.get, "c")
    assert given_back.stains == state.stains
    box = Box(104.0, 104.0, 0.65, 320, 320)
    picture = gallery.draw(state.disc, box, look).colour
    live = picture.reshape(-1, 3)[picture.reshape(-1, 3).sum(axis=1).argmax()]
    assert live[0] > live[1] > live[2]  # orange
    grey = gallery.draw(state.disc, box, Look(frozenset({"mosaic"}), "sites.pattern"))
    assert grey.colour is None


def test_the_window_that_suits_is_told_for_each_channel(gallery):
    disc = gallery.library.discs[0]
    (low, high), ends = gallery.stain_window(disc, 2)
    assert (low, high) == (100.0, 700.0)
    assert ends == (100.0, 700.0)
    assert np.isfinite(gallery.stain_window(disc, 1)[0]).all()


def test_another_order_of_the_channels_shows_the_same_stains():
    text = write_choices((Choice(0, True, "o"), Choice(1, False, "w"), Choice(2, True, "g")), NAMES)
    turned = read_choices(text, (NAMES[2], "further", NAMES[0], NAMES[1]))
    assert [c.shown for c in turned] == [True, False, True, False]
    assert [turned[0].ink, turned[2].ink] == ["g", "o"]
    assert read_choices(text, ("nuclei",)) == (Choice(0, False, "w"),)
