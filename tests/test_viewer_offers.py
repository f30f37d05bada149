"""Panels and modes of the plane: what a person changes reaches them, and nothing else does."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar

import pytest
from bokeh.events import Tap
from viewer_kit import tiny_store

from viewer import plane
from viewer.address import decode, encode
from viewer.gallery import Gallery
from viewer.library import Library
from viewer.look import Look, look_of, read_look
from viewer.plane import PlaneView
from viewer.plane_modes import Mode, ModeMarks
from viewer.plane_panels import Panel, Row
from viewer.state import ViewState


class FieldPanel(Panel):
    name: ClassVar[str] = "fields"
    title: ClassVar[str] = "fields over the disc"

    def rows(self) -> list[Row]:
        return [Row("select", "which", "field", self.state.field, items=[("", "none"), ("a", "A")])]

    def act(self, key: str, value: Any) -> None:
        if key == "which" and value in ("", "a"):
            self.state.field = value


class Pins(Mode):
    name: ClassVar[str] = "pins"
    label: ClassVar[str] = "pins"
    title: ClassVar[str] = "a click sets a pin"
    places: ClassVar[list[tuple[float, float]]] = []

    def begin(self) -> None:
        self.places.clear()

    def click(self, x_um: float, y_um: float) -> None:
        self.places.append((x_um, y_um))
        self.changed()

    def rows(self) -> list[Row]:
        return [Row("text", "count", value=f"{len(self.places)} pins")]

    def marks(self) -> ModeMarks:
        marks = ModeMarks()
        for x, y in self.places:
            marks.point(x, y, fill="#ffffff", line="#000000")
            marks.word(x, y, "pin", "#ffffff")
        return marks


@pytest.fixture(scope="module")
def gallery(tmp_path_factory: pytest.TempPathFactory) -> Gallery:
    path: Path = tmp_path_factory.mktemp("offers")
    return Gallery(Library.open([tiny_store(path, analysed=False)]))


@pytest.fixture
def view(gallery: Gallery, monkeypatch: pytest.MonkeyPatch) -> PlaneView:
    monkeypatch.setattr(plane, "PANELS", (FieldPanel,))
    monkeypatch.setattr(plane, "MODES", (Pins,))
    return PlaneView(ViewState(discs=["tiny-1"], disc="tiny-1"), gallery)


def test_a_panel_changes_the_look_and_the_address(view: PlaneView) -> None:
    before = view.bridge.settings["look"]
    view.input.on_act({"name": "panel", "value": {"of": "fields", "key": "which", "value": "a"}})
    assert view.state.field == "a"
    assert view.bridge.settings["look"] != before
    (panel,) = view.bridge.settings["panels"]
    assert panel["rows"][0]["value"] == "a"
    assert decode(encode(view.state))["field"] == "a"


@pytest.mark.parametrize(
    "wish", [None, 3, {"of": "nothing", "key": "which", "value": "a"}, {"of": "fields"}]
)
def test_what_is_no_change_of_a_panel_is_left_alone(view: PlaneView, wish: Any) -> None:
    view.input.on_act({"name": "panel", "value": wish})
    assert view.state.field == ""


def test_a_click_belongs_to_the_mode_that_is_on(view: PlaneView) -> None:
    view.input.on_act({"name": "mode", "value": "pins"})
    view.input._on_tap(Tap(model=view.figure, x=60.0, y=80.0))
    assert Pins.places == [(60.0, 80.0)]
    assert view.state.site == ""
    assert view.sources.mode_points.data["x"] == [60.0]
    assert view.bridge.settings["modes"][0]["rows"][0]["value"] == "1 pins"


def test_escape_leaves_the_mode_and_its_marks(view: PlaneView) -> None:
    view.input.on_act({"name": "mode", "value": "pins"})
    view.input._on_tap(Tap(model=view.figure, x=60.0, y=80.0))
    view.input.on_act({"name": "clear"})
    assert view.state.mode == ""
    assert view.sources.mode_points.data["x"] == []
    view.input._on_tap(Tap(model=view.figure, x=60.0, y=80.0))
    assert view.state.site == "b001"


def test_a_mode_that_is_none_is_not_switched_on(view: PlaneView) -> None:
    view.input.on_act({"name": "mode", "value": "wings"})
    assert view.state.mode == ""


def test_a_look_survives_its_query() -> None:
    state = ViewState(disc="d", stains="0.ff8800.3.9;1.00ff00", field="density", load="0.5")
    look = look_of(state, edits="7")
    from urllib.parse import parse_qs

    given = {key: values[0] for key, values in parse_qs(look.query()).items()}
    assert read_look(given.get, look.colour_by) == look


def test_a_choice_that_no_page_writes_is_dropped() -> None:
    given = {"fd": "../../<script>", "l": "mosaic.wings"}
    look = read_look(given.get, "sites.pattern")
    assert look == Look(frozenset({"mosaic"}), "sites.pattern")
