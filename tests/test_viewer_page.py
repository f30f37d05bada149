"""The viewer's parts that need no browser: scene of a store, ladder, legend, header, HTTP."""

import asyncio
import io
import json
import re
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest.mock import PropertyMock, patch

import numpy as np
import panel as pn
import pytest
from PIL import Image
from tornado.ioloop import IOLoop
from viewer_kit import MOSAIC_PX, SITES, tiny_store

from engine.analysis import analyse_store
from engine.cells.patterns import PATTERNS
from engine.errors import SplendensError
from engine.store import DiscStore
from engine.view.ramps import scale_for
from viewer.address import decode, encode
from viewer.gallery import Gallery
from viewer.header import settings
from viewer.ladder import rungs
from viewer.legend import Drawn, drawn, legend_html
from viewer.library import Library
from viewer.look import look_of
from viewer.page import build_page, new_state
from viewer.plane import PlaneView
from viewer.serve import make_server
from viewer.state import FIRST_LAYERS, ViewState
from viewer.theme import DARK, LIGHT, pattern_glyph, pattern_hex


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tiny_store(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="module")
def gallery(store: Path) -> Gallery:
    return Gallery(Library.open([store]))


@pytest.fixture
def state(gallery: Gallery) -> ViewState:
    return ViewState(discs=list(gallery.library.discs), disc=gallery.library.discs[0])


def test_a_scene_holds_what_the_store_holds(gallery: Gallery) -> None:
    scene = gallery.scene("tiny-1")
    assert set(scene.sites) == set(SITES)
    for site, place in SITES.items():
        np.testing.assert_allclose(scene.sites[site].centre_um, place, atol=0.3)
    assert scene.mosaic is not None
    assert scene.extent_um[2] == pytest.approx((MOSAIC_PX - 0.5) * 0.65, abs=1)
    assert [layer.site for layer in scene.heights] == ["n001"]
    assert len(scene.curves.x_um) == 3 * 16
    assert scene.curves.used.mean() > 0.9
    assert len(scene.cells.x_um) >= 10
    assert set(scene.cells.pattern.tolist()) <= set(range(-1, 5))


def test_points_of_a_map_agree_with_the_curves_table(gallery: Gallery) -> None:
    scene, table = gallery.scene("tiny-1"), gallery.library.table("tiny-1", "curves")
    names = list(scene.sites)
    for row in table.itertuples():
        at = (scene.curves.site == names.index(row.site)) & (
            scene.curves.index == row.row * 4 + row.col
        )
        assert scene.curves.x_um[at][0] == pytest.approx(row.x_um, abs=1e-6)
        assert scene.curves.y_um[at][0] == pytest.approx(row.y_um, abs=1e-6)
        assert scene.curves.used[at][0] == row.used


def test_a_store_that_was_not_analysed_can_be_looked_at(tmp_path: Path) -> None:
    library = Library.open([tiny_store(tmp_path, analysed=False)])
    gallery = Gallery(library)
    scene = gallery.scene("tiny-1")
    assert not scene.curves.used.any()
    assert not len(scene.cells.x_um)
    state = ViewState(discs=["tiny-1"], disc="tiny-1")
    plane = PlaneView(state, gallery)
    assert plane.bridge.settings["run_warn"]
    assert plane.bridge.settings["advice"].endswith(
        f"splendens analyse {library.store('tiny-1').path}"
    )
    assert plane.bridge.legend == ""
    assert set(plane.sources.sites.data["dash"]) == {"dashed"}
    gallery.warm()


def test_a_library_refuses_what_it_cannot_open(store: Path, tmp_path: Path) -> None:
    with pytest.raises(SplendensError, match="no store"):
        Library([])
    with pytest.raises(SplendensError, match="same disc"):
        Library.open([store, store])
    with pytest.raises(SplendensError, match=str(tmp_path)):
        Library.open([tmp_path])
    with pytest.raises(SplendensError, match="open are tiny-1"):
        Library.open([store]).store("other")


def test_the_ladder_marks_what_is_near(gallery: Gallery) -> None:
    scene = gallery.scene("tiny-1")
    found = rungs(scene, (50.0, 70.0, 70.0, 90.0))
    assert [rung.lane for rung in found] == [0, 1, 2]
    assert [rung.site for rung in found] == ["", "b001", "n001"]
    assert [rung.near for rung in found] == [True, True, False]
    sizes = [(rung.coarse_um, rung.fine_um) for rung in found]
    assert sizes[0] == pytest.approx((MOSAIC_PX * 0.65, 1.3), rel=0.02)
    assert sizes[1] == pytest.approx((20, 20 / 3), rel=0.01)
    assert sizes[2] == pytest.approx((1.28, 0.04), rel=0.01)
    chosen = rungs(scene, (0.0, 0.0, 200.0, 200.0), selected="b003")
    assert chosen[1].site == "b003"


def test_the_legend_names_quantity_unit_limits_patterns_and_hollow() -> None:
    scale = scale_for("sites", "modulus_kPa", np.linspace(60, 430, 50))
    text = legend_html(Drawn(scale, "sites", True, True, True, True), True)
    for part in (
        "apparent indentation modulus",
        "kPa",
        "log scale",
        ">100<",
        ">200<",
        ">500<",
        "no value",
        "not used",
    ):
        assert part in text
    for name, colour in pattern_hex(True).items():
        assert name.replace("_", " ") in text
        assert colour in text
    assert "kPa" not in legend_html(Drawn(patterns=True), True)
    assert legend_html(Drawn(), True) == ""


def test_the_legend_explains_only_what_is_drawn(gallery: Gallery, state: ViewState) -> None:
    shown = drawn(state, gallery)
    assert shown.scale is not None
    assert shown.scale.unit == "kPa"
    assert shown.patterns
    x, y = SITES["n001"]
    state.param.update(centre_x_um=x, centre_y_um=y, um_per_px=0.002)
    assert not drawn(state, gallery).patterns  # no cell lies in so small a view
    assert drawn(state, gallery).scale is not None
    state.param.update(centre_x_um=-50.0, centre_y_um=-50.0)
    assert legend_html(drawn(state, gallery), True) == ""
    state.param.update(centre_x_um=100.0, centre_y_um=100.0, um_per_px=1.0)
    state.layers = ["mosaic", "sites", "curves"]
    assert not drawn(state, gallery).patterns
    state.layers = ["mosaic", "cells"]
    assert drawn(state, gallery).scale is None
    assert drawn(state, gallery).patterns
    state.colour_by = "cells.diameter_um"
    assert drawn(state, gallery).scale is not None
    assert not drawn(state, gallery).patterns
    state.layers = ["mosaic"]
    assert legend_html(drawn(state, gallery), True) == ""


def test_glyphs_have_names_and_unknown_ones_are_refused() -> None:
    for name in PATTERNS:
        assert f'aria-label="{name.replace("_", " ")}"' in pattern_glyph(name, "#123456")
    with pytest.raises(ValueError, match="knot"):
        pattern_glyph("knot", "#123456")


@pytest.mark.parametrize("palette", [DARK, LIGHT])
def test_text_can_be_read_from_the_back(palette: Any) -> None:
    def luminance(colour: str) -> float:
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    def contrast(a: str, b: str) -> float:  # WCAG 2.2, "contrast ratio"
        high, low = sorted([luminance(a), luminance(b)], reverse=True)
        return (high + 0.05) / (low + 0.05)

    for ground in (palette.page, palette.surface, palette.raised, palette.plane):
        assert contrast(palette.text, ground) >= 7
        assert contrast(palette.quiet, ground) >= 4.5
        assert contrast(palette.accent, ground) >= 3
    assert all(contrast(colour, palette.plane) >= 3 for colour in palette.regions)
    assert contrast(palette.caution, palette.surface) >= 4.5


def test_the_header_offers_only_what_has_values(gallery: Gallery, state: ViewState) -> None:
    said = settings(state, gallery.library, (0, 0, 1, 1), look_of(state))
    offered = {item[0] for group in said["colours"] for item in group["items"]}
    assert {"sites.modulus_kPa", "sites.pattern", "cells.pattern"} <= offered
    assert not {"sites.x_um", "sites.flags", "sites.modulus_syst"} & offered
    assert said["run_text"].endswith("current")
    labels = [item[1] for group in said["colours"] for item in group["items"]]
    assert "Apparent indentation modulus [kPa]" in labels
    json.dumps(said)


def test_clicks_keys_and_choices_change_the_state(gallery: Gallery, state: ViewState) -> None:
    plane = PlaneView(state, gallery)
    state.um_per_px = 0.3
    x, y = SITES["b001"]
    plane.input.click(x + 4, y + 4)
    assert state.site == "b001"
    scene = gallery.scene("tiny-1")
    at = np.flatnonzero(scene.curves.site == list(scene.sites).index("b002"))[6]
    plane.input.click(scene.curves.x_um[at], scene.curves.y_um[at])
    assert (state.site, state.curve) == ("b002", 6)
    plane.input.on_act({"name": "step", "value": 1, "n": 1})
    assert (state.site, state.curve) == ("b003", None)
    plane.input.on_act({"name": "clear"})
    assert state.site == ""
    plane.input.on_act({"name": "colour", "value": "sites.Sq_nm"})
    assert state.colour_by == "sites.Sq_nm"
    plane.input.on_act({"name": "colour", "value": "sites.<script>"})
    assert state.colour_by == "sites.Sq_nm"
    plane.input.on_act({"name": "layer", "value": "cells"})
    assert state.layers == [layer for layer in FIRST_LAYERS if layer != "cells"]
    plane.input.on_act({"name": "present"})
    assert (state.present, state.card_open, state.tray_open) == (True, False, False)
    assert decode(encode(state))["present"]
    plane.input.on_act({"name": "present"})
    assert (state.present, state.card_open) == (False, True)
    assert not decode(encode(state))["present"]
    plane.input.on_act({"name": "rung", "value": 2})
    assert state.site == "n001"
    assert state.flight is not None
    assert state.flight.um_per_px == pytest.approx(1.28 / 0.8 / 640, rel=0.01)
    for nonsense in (None, 7, {}, {"name": "fog"}, {"name": None}):
        plane.input.on_act(nonsense)


def test_views_from_the_page_are_checked(gallery: Gallery, state: ViewState) -> None:
    plane = PlaneView(state, gallery)
    plane.input.on_view({"x": 3, "y": 4.5, "s": 0.01, "w": 800, "h": 600, "n": 1})
    assert state.box_um() == pytest.approx((-1, 1.5, 7, 7.5))
    good = state.box_um()
    bad: list[Any] = [None, {}, {"x": "1"}, {"x": 1, "y": 2, "s": 1e9, "w": 5, "h": 5}]
    bad += [{"x": float("nan"), "y": 2, "s": 1, "w": 5, "h": 5}, [1, 2]]
    for view in bad:
        plane.input.on_view(view)
    assert state.box_um() == good


def test_a_selected_site_is_outlined_in_the_accent(gallery: Gallery, state: ViewState) -> None:
    plane = PlaneView(state, gallery)
    state.select("b002", 5)
    assert plane.sources.selection.data["line"] == [DARK.accent]
    corners = gallery.scene("tiny-1").sites["b002"].corners()
    shown = np.column_stack([plane.sources.selection.data[name][0] for name in ("xs", "ys")])
    np.testing.assert_allclose(shown, corners)
    assert DARK.accent not in plane.sources.sites.data["fill"] + list(DARK.regions)
    state.dark = False
    assert plane.sources.selection.data["line"] == [LIGHT.accent]


def test_a_run_made_meanwhile_is_offered_and_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("viewer.library.LOOK_EVERY_S", 0.0)
    path = tiny_store(tmp_path, analysed=False)
    gallery = Gallery(Library.open([path])).pinned()
    before = gallery.library.runs
    state = ViewState(discs=["tiny-1"], disc="tiny-1", centre_x_um=7.0, um_per_px=0.25)
    plane = PlaneView(state, gallery)
    plane.look_for_run()
    assert plane.bridge.settings["newer"] == ""
    analyse_store(path)
    plane.look_for_run()
    assert plane.bridge.settings["newer"] == "run-0001"
    # what is shown stays one run until somebody asks for the other
    assert plane.bridge.settings["run_key"] == before
    assert not len(gallery.scene("tiny-1").cells.x_um)
    assert not len(gallery.pinned(before).scene("tiny-1").cells.x_um)
    plane.input.on_act({"name": "newer"})
    assert plane.bridge.settings["newer"] == plane.bridge.settings["advice"] == ""
    assert plane.bridge.settings["run_text"] == "run-0001, current"
    assert "solid" in plane.sources.sites.data["dash"]
    assert len(gallery.scene("tiny-1").cells.x_um)
    assert (state.centre_x_um, state.um_per_px, state.flight) == (7.0, 0.25, None)
    # and another session that still shows the older keeps it
    assert gallery.pinned(before).library.run("tiny-1") is None
    assert gallery.pinned("run-9999").library.run("tiny-1") == "run-0001"


def test_the_store_is_not_looked_at_for_every_session(store: Path) -> None:
    library = Library.open([store])
    sessions = [library.pinned() for _ in range(20)]
    with patch.object(DiscStore, "current_run", new_callable=PropertyMock) as looked:
        looked.return_value = "run-0001"
        assert {session.newer("tiny-1") for session in sessions} == {None}
    assert looked.call_count == 1


def test_a_part_that_cannot_be_made_leaves_the_others(
    gallery: Gallery, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: Any) -> None:
        raise KeyError("modulus")

    for name, words in (("SiteCard", "site card"), ("Tray", "comparison tray")):
        with monkeypatch.context() as patch, caplog.at_level("ERROR"):
            patch.setattr(f"viewer.page.{name}", broken)
            template = build_page(gallery)
        assert words in caplog.text
        assert "KeyError" in caplog.text
        shown = {label: part for label, (part, _) in template._render_items.items()}
        place = shown["card" if name == "SiteCard" else "tray"]
        assert f"The {words} could not be made" in place.object
        other = shown["tray" if name == "SiteCard" else "card"]
        assert not isinstance(other, pn.pane.HTML)
        caplog.clear()


def test_the_address_says_where_a_session_begins(gallery: Gallery) -> None:
    state, placed = new_state(gallery, "?v=1&d=tiny-1&x=5&y=6&s=0.5&site=b002&t=light")
    assert (state.centre_x_um, state.site, state.dark, placed) == (5, "b002", False, True)
    state, placed = new_state(gallery, "?v=1&d=elsewhere&x=5&y=6&s=0.5&site=b002&t=light")
    assert (state.disc, state.site, state.dark, placed) == ("tiny-1", "", False, False)


@pytest.fixture(scope="module")
def url(store: Path) -> Iterator[str]:
    started, said = threading.Event(), {}

    def run() -> None:
        asyncio.set_event_loop(asyncio.new_event_loop())
        server = make_server(Library.open([store]), port=0)
        server.start()
        said.update(port=server.port, loop=IOLoop.current(), server=server)
        started.set()
        IOLoop.current().start()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert started.wait(30)
    yield f"http://127.0.0.1:{said['port']}/"
    said["loop"].add_callback(said["server"].stop)
    said["loop"].add_callback(said["loop"].stop)
    thread.join(10)


def get(url: str) -> tuple[int, Any, bytes]:
    try:
        with urllib.request.urlopen(url, timeout=30) as answer:
            return answer.status, answer.headers, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers, error.read()


def test_the_command_says_where_it_serves_and_stops_cleanly(store: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "viewer.cli",
        "view",
        str(store),
        "--port",
        "0",
        "--no-browser",
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert address is not None
        assert "Ctrl+C" in line
        assert get(address[0] + "ready")[0] in (200, 503)
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
        assert process.stdout.read() == "stopped\n"


def test_it_becomes_ready(url: str) -> None:
    for _ in range(200):
        status, _, body = get(url + "ready")
        if status == 200:
            break
        threading.Event().wait(0.1)
    assert json.loads(body) == {"ready": True}


def test_a_picture_has_the_size_that_was_asked_for_and_shows_the_disc(url: str) -> None:
    query = "d=tiny-1&x=104&y=104&s=1&w=230&h=210&l=mosaic.cells&c=sites.modulus_kPa&t=dark"
    status, headers, body = get(f"{url}picture?{query}&form=png")
    assert (status, headers["Content-Type"]) == (200, "image/png")
    image = np.asarray(Image.open(io.BytesIO(body)))
    assert image.shape == (210, 230, 3)
    assert image[105, 115].mean() > image[2, 2].mean() + 10  # tissue against glass


@pytest.mark.parametrize(
    "query",
    [
        "d=nobody&x=1&y=1&s=1&w=10&h=10",
        "d=tiny-1&x=1&y=1&s=0&w=10&h=10",
        "d=tiny-1&x=nan&y=1&s=1&w=10&h=10",
        "d=tiny-1&x=1&y=1&s=1&w=99999&h=10",
        "d=tiny-1&x=1&y=1&s=1&w=0&h=10",
        "d=tiny-1&x=1&y=1&s=1&w=1e3&h=10",
        "d=tiny-1&x=1&y=1&s=1&w=10&h=10&c=../x.y",
        "x=1",
    ],
)
def test_a_picture_that_cannot_be_is_refused(url: str, query: str) -> None:
    status, _, body = get(f"{url}picture?{query}")
    assert status in (400, 404)
    assert b"Traceback" not in body


def test_a_value_is_told_where_there_is_one(url: str) -> None:
    status, headers, body = get(f"{url}value?d=tiny-1&x=104&y=104&s=1&l=mosaic&c=sites.pattern")
    assert (status, json.loads(body)) == (200, {"text": ""})
    assert headers["Content-Type"].startswith("application/json")


@pytest.mark.parametrize(
    "query", ["d=nobody&x=1&y=1&s=1", "d=tiny-1&x=a&y=1&s=1", "d=tiny-1&x=inf&y=1&s=1", "x=1"]
)
def test_a_value_that_cannot_be_is_refused(url: str, query: str) -> None:
    status, _, body = get(f"{url}value?{query}")
    assert status in (400, 404)
    assert b"Traceback" not in body


def test_every_answer_carries_the_headers(url: str) -> None:
    for path in ("", "ready", "assets/plane.js", "picture?d=nobody", "assets/other.js"):
        _, headers, _ = get(url + path)
        policy = headers["Content-Security-Policy"]
        assert "default-src 'self'" in policy
        assert "object-src 'none'" in policy
        assert "https://" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"


def test_the_page_has_content_and_names_no_foreign_host(url: str) -> None:
    status, _, body = get(url)
    text = body.decode()
    assert status == 200
    assert 'id="plane"' in text
    assert "No diagnostic device" in text
    hosts = set(re.findall(r'(?:src|href)="(https?://[^"/]+)', text))
    assert not hosts
