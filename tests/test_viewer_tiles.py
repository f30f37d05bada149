"""The tiles of a stitched mosaic in the viewer: what is drawn, the panel's words, the legend."""

import numpy as np
import pytest
from folder_kit import site
from test_stitching_folder import store  # noqa: F401 - the fixture
from tiles_kit import small_scan, write_tiled_folder
from viewer_kit import tiny_store

from engine.importing import import_folder
from engine.intake.tile_map import TileMap
from engine.store import open_store
from engine.view import Box, Paint, Painter, Scene
from engine.view.scene import TileLayer
from engine.view.tile_map import draw_tiles, residual_colours
from viewer.gallery import Gallery
from viewer.legend import drawn, legend_html
from viewer.library import Library
from viewer.panel_tiles import TilesPanel, reasons, summary
from viewer.state import ViewState


def layer(**changes):
    """Two tiles side by side, the second flagged; one overlap used, one not."""
    fields = {
        "corner_um": np.array([[0.0, 0.0], [80.0, 0.0]]),
        "size_um": (100.0, 100.0),
        "weak": np.array([False, True]),
        "pairs": np.array([[0, 1], [0, 1]]),
        "residual_um": np.array([0.65, np.nan]),
        "used": np.array([True, False]),
        "limit_um": 1.3,
    }
    return TileLayer(**(fields | changes))


def test_outlines_lie_where_the_tiles_were_put():
    box, rgba = Box(89.5, 49.5, 1.0, 200, 120), np.zeros((120, 200, 4), np.uint8)
    draw_tiles(layer(), box, True, rgba)
    alpha = rgba[..., 3] > 0
    left, right = (int(box.pixels_of(np.array([x]), np.array([0.0]))[0][0]) for x in (1.2, 98.8))
    assert alpha[30, left - 1 : left + 3].any()
    assert alpha[30, right - 1 : right + 3].any()
    assert not alpha[30, left + 8 : left + 60].any()
    # the flagged tile's outline is the stronger one, and of the colour of a caution
    weak = rgba[30, int(box.pixels_of(np.array([178.8]), np.array([0.0]))[0][0])].astype(int)
    assert weak[0] > 200
    assert weak[2] < 90


def test_an_overlap_has_the_colour_of_its_residual_or_none():
    colours = residual_colours(layer())
    assert colours[:, 3].tolist() == [255, 0]
    far = residual_colours(layer(residual_um=np.array([1.3, 0.0]), used=np.array([True, True])))
    near = residual_colours(layer(residual_um=np.array([0.0, 1.3]), used=np.array([True, True])))
    np.testing.assert_array_equal(far, near[::-1])
    assert (far[0] != far[1]).any()


@pytest.fixture(scope="module")
def gallery(store):  # noqa: F811
    return Gallery(Library([store]))


@pytest.fixture
def state(gallery):
    disc = gallery.library.discs[0]
    return ViewState(discs=[disc], disc=disc, width_px=400, height_px=300)


def test_the_layer_is_drawn_when_it_is_asked_for(gallery, state):
    scene = gallery.scene(state.disc)
    x0, y0, x1, y1 = scene.extent_um
    box = Box((x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 300, 320, 320)
    without = Painter().draw(scene, box, Paint(frozenset()))
    with_it = Painter().draw(scene, box, Paint(frozenset({"tiles"})))
    assert not without.overlay.any()
    assert with_it.overlay.any()
    corner = scene.tiles.corner_um.min(axis=0)
    assert corner == pytest.approx(scene.mosaic.origin_um[0][::-1], abs=1.0)


def test_the_panel_says_what_became_of_the_overlaps(gallery, state):
    panel = TilesPanel(state, gallery)
    rows = {row.key: row for row in panel.rows()}
    assert rows["show"].value is False
    assert rows["said"].value.startswith("9 tiles of 130 × 130 µm, ")
    assert "tiles" not in state.layers
    panel.act("show", True)
    assert "tiles" in state.layers
    shown = drawn(state, gallery)
    assert shown.tiles.high == pytest.approx(1.3)
    assert "disagreement" in legend_html(shown, True)
    panel.act("show", False)
    assert "tiles" not in state.layers
    assert drawn(state, gallery).tiles is None


def test_flagged_tiles_can_be_flown_to(tmp_path):
    # no tissue on the right half: what lies there cannot be compared
    made = small_scan(2, (3, 4), disc=0.5, per_mpx=900)
    folder = write_tiled_folder(tmp_path / "disc", made, sites=[site("b001", 120, 120)])
    import_folder(folder, tmp_path / "d.zarr")
    opened = open_store(tmp_path / "d.zarr")
    tiles = opened.tile_map
    flagged = [i for i, flags in enumerate(tiles.flags) if flags]
    assert flagged
    gallery = Gallery(Library([opened]))
    state = ViewState(discs=[opened.disc], disc=opened.disc, width_px=400, height_px=300)
    panel = TilesPanel(state, gallery)
    rows = {row.key: row for row in panel.rows()}
    assert [value for value, _ in rows["tile"].items] == ["", *map(str, flagged)]
    assert f"{len(flagged)} flagged" in dict(rows["tile"].items)[""]
    panel.act("tile", str(flagged[0]))
    middle = tiles.nominal_um[flagged[0]] + tiles.correction_um[flagged[0]]
    middle = middle + np.array(tiles.size_um) / 2
    assert (state.flight.x_um, state.flight.y_um) == pytest.approx(tuple(middle))
    before = state.flight
    for value in ("99", "-1", "x", None, ""):
        panel.act("tile", value)
    assert state.flight == before
    assert "tile" in reasons(tiles)


def test_words_for_tiles_that_could_not_be_matched():
    tiles = TileMap(
        files=("a.tif", "b.tif"), nominal_um=np.zeros((2, 2)), correction_um=np.zeros((2, 2)),
        size_um=(100.0, 80.0), links=np.zeros(2, int), flags=("not_linked", "not_linked"),
        pairs=np.array([[0, 1]]), residual_um=np.array([np.nan]), pair_used=np.array([False]),
        mosaic_flags="nominal_positions", shading=(), settings={},
    )  # fmt: skip
    said = summary(tiles)
    assert "0 agree with the places that were kept.\n" in said
    assert "1 show nothing that could be compared." in said
    assert "every tile lies at its" in said.replace("\n", " ")
    assert max(map(len, said.split("\n"))) <= 84
    assert reasons(tiles).startswith("2 tiles: No overlap of this tile")


def test_a_mosaic_of_one_image_has_no_such_panel(tmp_path):
    opened = open_store(tiny_store(tmp_path, analysed=False))
    gallery = Gallery(Library([opened]))
    state = ViewState(discs=[opened.disc], disc=opened.disc)
    assert TilesPanel(state, gallery).rows() == []
    TilesPanel(state, gallery).act("show", True)
    assert "tiles" not in state.layers
    box = Box(50, 50, 1.0, 64, 64)
    empty = Painter().draw(Scene("s", (0, 0, 1, 1)), box, Paint(frozenset({"tiles"})))
    assert not empty.overlay.any()
