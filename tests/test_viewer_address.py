import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from viewer.address import FIELDS, LONGEST, MOST_CORNERS, apply, decode, encode
from viewer.state import (
    CARD_TABS,
    LAYERS,
    MAX_UM_PER_PX,
    MIN_UM_PER_PX,
    REGION_LETTERS,
    ViewState,
    make_region,
)

names = st.from_regex(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,20}", fullmatch=True)
coordinate = st.floats(-1e5, 1e5)


@st.composite
def states(draw: st.DrawFn) -> ViewState:
    disc = draw(names)
    regions = {}
    for letter in draw(st.sets(st.sampled_from(REGION_LETTERS))):
        size = draw(st.floats(0.01, 1000))
        turn = np.linspace(0, 2 * np.pi, draw(st.integers(3, 40)), endpoint=False)
        ring = np.column_stack([np.cos(turn), np.sin(turn)]) * size + draw(coordinate)
        regions[letter] = make_region(disc, ring)
    return ViewState(
        discs=[disc],
        disc=disc,
        centre_x_um=draw(coordinate),
        centre_y_um=draw(coordinate),
        um_per_px=draw(st.floats(MIN_UM_PER_PX, MAX_UM_PER_PX)),
        colour_by=draw(st.sampled_from(["sites.modulus_kPa", "cells.pattern", "sites.Sq_nm"])),
        site=draw(st.one_of(st.just(""), names)),
        curve=draw(st.one_of(st.none(), st.integers(0, 4095))),
        regions=regions,
        card_tab=draw(st.sampled_from(CARD_TABS)),
        layers=draw(st.lists(st.sampled_from(LAYERS), unique=True).map(_in_order)),
        dark=draw(st.booleans()),
        card_open=draw(st.booleans()),
        tray_open=draw(st.booleans()),
    )


def _in_order(layers: list[str]) -> list[str]:
    return [layer for layer in LAYERS if layer in layers]


@given(states())
def test_a_link_opens_the_same_picture(state: ViewState) -> None:
    other = ViewState(discs=state.discs, disc=state.disc)
    assert apply(other, encode(state))
    exact = set(FIELDS) - {"centre_x_um", "centre_y_um", "um_per_px", "regions", "curve"}
    for name in exact:
        assert getattr(other, name) == getattr(state, name), name
    assert other.curve == (state.curve if state.site else None)
    # a tenth of a pixel is nothing to the eye
    assert abs(other.centre_x_um - state.centre_x_um) < 0.1 * state.um_per_px
    assert abs(other.centre_y_um - state.centre_y_um) < 0.1 * state.um_per_px
    assert other.um_per_px == pytest.approx(state.um_per_px, rel=1e-5)
    assert set(other.regions) == set(state.regions)
    for letter, region in state.regions.items():
        found = other.regions[letter].polygon_um
        size = np.ptp(region.polygon_um, axis=0).max()
        assert np.abs(found - region.polygon_um).max() < size / 1000 + 1e-4


@given(states())
def test_writing_twice_changes_nothing(state: ViewState) -> None:
    once = ViewState(discs=state.discs, disc=state.disc)
    apply(once, encode(state))
    twice = ViewState(discs=state.discs, disc=state.disc)
    apply(twice, encode(once))
    assert encode(twice) == encode(once)


@given(st.text(max_size=200))
def test_no_text_breaks_the_reader(text: str) -> None:
    state = ViewState(discs=["d"], disc="d")
    apply(state, text)
    apply(state, "?v=1&" + text)
    apply(state, f"?v=1&x={text}&y=1&s=1&A=d,{text}&l={text}&k={text}&site={text}&d={text}")
    assert state.disc == "d"


def test_what_cannot_be_is_left_out() -> None:
    assert decode("?v=2&d=x") == {}
    assert decode("?v=1&" + "x" * LONGEST) == {}
    found = decode("?v=1&d=../up&x=1&y=nan&s=1&c=curves.x&site=a/b&t=blue&tab=x&l=mosaic.fog")
    nothing = {"site": "", "curve": None, "group": ""}
    assert found == {**nothing, "layers": ["mosaic"], "regions": {}}


def test_a_disc_that_is_not_open_is_not_taken() -> None:
    state = ViewState(discs=["d"], disc="d")
    apply(state, "?v=1&d=other&site=b001")
    assert state.disc == "d"


def test_a_long_lasso_is_thinned_to_what_an_address_can_hold() -> None:
    turn = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    radius = 100 + 8 * np.sin(9 * turn)
    ring = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    state = ViewState(discs=["d"], disc="d", regions={k: make_region("d", ring) for k in "ABCD"})
    text = encode(state)
    assert len(text) < 4000
    corners = decode(text)["regions"]["A"].polygon_um
    assert len(corners) <= MOST_CORNERS
    area = 0.5 * abs(np.dot(corners[:, 0], np.roll(corners[:, 1], 1)) - np.dot(
        corners[:, 1], np.roll(corners[:, 0], 1)))  # fmt: skip
    assert area == pytest.approx(np.pi * (100**2 + 8**2 / 2), rel=0.02)
