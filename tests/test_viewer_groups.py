"""A group of cells can be clicked: hit, drawn, told, kept in the address."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import viewer_kit

from engine.view.cells import cell_colours
from engine.view.hit import nearest_cell
from engine.view.load import ambiguous_of
from engine.view.scene import CellLayer
from viewer.address import apply, encode
from viewer.bridge import Bridge
from viewer.gallery import Gallery
from viewer.groups import (
    ambiguous_cells,
    confidence_words,
    group_at,
    group_box_html,
    mark_group,
    members,
    selected_group,
)
from viewer.header import _by_hand
from viewer.legend import Drawn, legend_html
from viewer.library import Library
from viewer.marks import _pattern_text
from viewer.plane import PlaneView
from viewer.plane_modes import ModeMarks
from viewer.state import ViewState


@pytest.fixture(scope="module")
def gallery(tmp_path_factory: pytest.TempPathFactory) -> Gallery:
    store = viewer_kit.tiny_store(tmp_path_factory.mktemp("groups"))
    return Gallery(Library.open([store]))


@pytest.fixture
def state() -> ViewState:
    return ViewState(discs=["tiny-1"], disc="tiny-1", um_per_px=0.2)


def scattered(count: int, seed: int = 1) -> CellLayer:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 1000, (2, count))
    links = rng.integers(0, count, (count // 2, 2))
    near = np.hypot(*(x[links[:, 0]] - x[links[:, 1]], y[links[:, 0]] - y[links[:, 1]])) < 40
    pattern = np.zeros(count, np.int64)
    return CellLayer(x, y, rng.uniform(5, 12, count), pattern, links[near].astype(np.int64))


@pytest.mark.parametrize("um_per_px", [0.05, 1.0, 4.0])
def test_the_nearest_cell_is_that_of_a_search_through_all(um_per_px: float) -> None:
    layer = scattered(600)
    clicks = np.random.default_rng(2).uniform(0, 1000, (300, 2))
    hits = 0
    for x, y in clicks:
        away = np.hypot(layer.x_um - x, layer.y_um - y)
        touched = away <= np.maximum(7 * um_per_px, 0.625 * layer.diameter_um)
        told = nearest_cell(layer, x, y, um_per_px, links=False)
        assert told == (int(np.argmin(np.where(touched, away, np.inf))) if touched.any() else None)
        hits += told is not None
    assert 8 < hits < 300


def test_a_link_means_its_nearer_end() -> None:
    layer = CellLayer(
        np.array([0.0, 100.0]), np.zeros(2), np.full(2, 8.0), np.zeros(2, np.int64),
        np.array([[0, 1]]),
    )  # fmt: skip
    assert nearest_cell(layer, 30.0, 1.0, 1.0) == 0
    assert nearest_cell(layer, 70.0, -3.0, 1.0) == 1
    assert nearest_cell(layer, 70.0, -6.0, 1.0) is None
    assert nearest_cell(layer, 70.0, -3.0, 1.0, links=False) is None
    assert nearest_cell(layer, 130.0, 0.0, 1.0) is None
    assert nearest_cell(CellLayer(), 0.0, 0.0, 1.0) is None


def test_a_click_on_a_cell_selects_its_group_and_keeps_the_site(gallery: Gallery) -> None:
    state = ViewState(discs=["tiny-1"], disc="tiny-1", um_per_px=0.2, site="b001")
    plane = PlaneView(state, gallery)
    cells = gallery.library.table("tiny-1", "cells")
    far = [
        i
        for i in range(len(cells))
        if min(np.hypot(cells.x_um[i] - x, cells.y_um[i] - y) for x, y in viewer_kit.SITES.values())
        > 25
    ]
    cell = cells.iloc[far[0]]
    plane.input.click(cell["x_um"], cell["y_um"])
    group = selected_group(gallery.library, "tiny-1", state.group)
    assert group is not None
    assert int(group["cell_group"]) == int(cell["cell_group"])
    assert state.site == "b001"
    mine = members(gallery.library, "tiny-1", group)
    assert len(mine) == int(group["cells"])
    assert len(plane.sources.mode_lines.data["xs"]) >= len(mine)
    assert "Confidence" in plane.bridge.group
    plane.input.clear()
    assert (state.group, state.site) == ("", "b001")
    assert plane.bridge.group == ""
    plane.input.click(*viewer_kit.SITES["b002"])
    assert (state.group, state.site) == ("", "b002")


def test_groups_can_be_meant_only_where_cells_are_shown(gallery: Gallery, state: ViewState) -> None:
    cell = gallery.library.table("tiny-1", "cells").iloc[0]
    assert group_at(gallery, state, cell["x_um"], cell["y_um"])
    state.layers = ["mosaic", "sites"]
    assert group_at(gallery, state, cell["x_um"], cell["y_um"]) == ""


def test_the_address_holds_the_group(gallery: Gallery, state: ViewState) -> None:
    cell = gallery.library.table("tiny-1", "cells").iloc[0]
    state.group = group_at(gallery, state, cell["x_um"], cell["y_um"])
    other = ViewState(discs=["tiny-1"], disc="tiny-1")
    assert apply(other, encode(state))
    assert other.group == state.group
    state.group = ""
    apply(other, encode(state))
    assert other.group == ""


@pytest.mark.parametrize("text", ["", "x", "1_", "nan_1", "1e9_0", "12", "<b>_1", "0_0_0"])
def test_what_is_no_group_selects_none(gallery: Gallery, state: ViewState, text: str) -> None:
    assert selected_group(gallery.library, "tiny-1", text) is None
    state.group = text
    assert group_box_html(gallery, state) == ""
    marks = ModeMarks()
    mark_group(marks, gallery, state)
    assert marks.lines["xs"] == []
    assert Bridge().group == ""


def test_the_box_says_ambiguous_with_the_other_pattern(
    gallery: Gallery, state: ViewState, monkeypatch: pytest.MonkeyPatch
) -> None:
    groups = gallery.library.table("tiny-1", "cell_groups").copy()
    groups["ambiguous"], groups["second"] = True, "small_cluster"
    groups["rule"] = "a rule of 3 < 4"
    cells = gallery.library.table("tiny-1", "cells").assign(by_hand=True)
    tables = {"cell_groups": groups, "cells": cells}
    monkeypatch.setattr(Library, "table", lambda _self, _disc, name: tables[name])
    row = groups.iloc[0]
    state.group = f"{row.x_um:.1f}_{row.y_um:.1f}"
    text = group_box_html(gallery, state)
    assert "ambiguous: could be small cluster" in text
    assert "a rule of 3 &lt; 4" in text
    assert "added by hand" in text


def test_confidence_is_told_with_its_parts() -> None:
    group = {"pattern_confidence": 0.6, "stability": 0.8, "margin": np.log(1.12)}
    assert confidence_words(group) == (
        "Confidence 0.60: kept in 80 % of disturbed repetitions, nearest threshold 12 % away."
    )
    assert confidence_words({"pattern_confidence": 0.6}) == "Confidence 0.60."


def test_ambiguous_cells_are_pale_and_the_legend_says_so(
    gallery: Gallery, state: ViewState
) -> None:
    layer = CellLayer(
        np.zeros(3), np.zeros(3), np.ones(3), np.array([0, 2, -1]),
        ambiguous=np.array([False, True, False]),
    )  # fmt: skip
    alpha = cell_colours(layer, dark=True)[:, 3]
    assert alpha[1] < alpha[0] == alpha[2] == 255
    assert (cell_colours(replace(layer, ambiguous=np.empty(0, bool)), True)[:, 3] == 255).all()
    cells = pd.DataFrame({"cell_group": [0, 1, 1, 2]})
    groups = pd.DataFrame({"cell_group": [0, 1, 2], "ambiguous": [False, True, False]})
    assert ambiguous_of(cells, groups).tolist() == [False, True, True, False]
    assert len(ambiguous_of(cells, groups[["cell_group"]])) == 0
    assert "ambiguous" in legend_html(Drawn(patterns=True, pale=True), True)
    assert "ambiguous" not in legend_html(Drawn(patterns=True), True)
    told = ambiguous_cells(gallery.library, state.disc)
    table = gallery.library.table(state.disc, "cell_groups")
    unsure = table[table["ambiguous"].astype(bool)]
    assert told.sum() == unsure["cells"].sum()


def test_a_sites_words_hold_its_doubts() -> None:
    assert _pattern_text("double_string", "adhesion;pattern_ambiguous") == (
        "double string, ambiguous"
    )
    assert _pattern_text("string", "near_pattern_border") == "string, near a border"
    assert _pattern_text("", "too_few_cells") == "no value"


def test_the_head_of_the_page_says_what_was_changed_by_hand() -> None:
    assert _by_hand({}) == []
    assert _by_hand({"corrections": []}) == []
    assert _by_hand({"corrections": [{}], "landmarks": "landmarks-0002"}) == [
        "1 cell corrected by hand",
        "landmarks-0002",
    ]
