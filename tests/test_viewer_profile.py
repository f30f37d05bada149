"""Heights along a line drawn on the plane, and strokes on the bands of a fibril."""

import card_kit
import numpy as np
import pytest

from engine.store import open_store
from engine.view import Box, Paint, Painter
from engine.view.bands import BELOW_UM_PER_PX, STROKE
from viewer.gallery import Gallery
from viewer.library import Library
from viewer.plane_profile import ProfileMode, plot_of
from viewer.state import ViewState


@pytest.fixture(scope="module")
def gallery(tmp_path_factory):
    store = card_kit.make_store(tmp_path_factory.mktemp("profile"))
    return Gallery(Library([open_store(store)]))


@pytest.fixture
def mode(gallery):
    calls = []
    state = ViewState(discs=["tiny-1"], disc="tiny-1", um_per_px=0.004)
    made = ProfileMode(state, gallery, lambda: calls.append(1))
    made.calls = calls
    return made


def place(gallery, u_nm, v_nm, site="n001"):
    x, y = gallery.scene("tiny-1").sites[site].to_disc(1e-3 * u_nm, 1e-3 * v_nm)
    return float(x), float(y)


def size_nm(gallery):
    foot = gallery.scene("tiny-1").sites["n001"]
    return 1e3 * foot.width_um, 1e3 * foot.height_um


def crest_nm(gallery):
    """A u at which a traced fibril runs."""
    detail = gallery.library.detail("tiny-1", "n001")
    return float(np.median(detail["paths.path_u_nm"][detail["paths.path_fibril"] == 0]))


def test_two_clicks_along_a_fibril_give_its_band_period(mode, gallery):
    u, (_, height) = crest_nm(gallery), size_nm(gallery)
    mode.click(*place(gallery, u, -0.45 * height))
    assert "other end" in mode.rows()[-1].value
    mode.click(*place(gallery, u, 0.45 * height))
    found = mode._profile
    # the scene's pixels of 5 nm are laid over the site's own size
    scale = height / (256 * 5.0)
    assert found.distance_nm[-1] == pytest.approx(0.9 * height, rel=1e-3)
    assert found.period_nm == pytest.approx(card_kit.PERIOD_NM * scale, abs=2 * found.period_se_nm)
    said = {row.key: row.value for row in mode.rows() if row.kind == "text"}
    assert "Bands every" in said["found"]
    assert "crosses fibrils" in said["care"]
    assert len(mode.marks().points["x"]) == 2 + len(found.band_nm)
    plot = plot_of(found)
    assert len(plot["x"]) == len(plot["y"]) > 50


def test_a_line_on_bare_noise_has_no_bands_and_says_so(mode, gallery):
    width, _ = size_nm(gallery)
    mode.click(*place(gallery, -0.4 * width, 0.0, "n002"))
    mode.click(*place(gallery, 0.4 * width, 0.0, "n002"))
    assert not np.isfinite(mode._profile.period_nm)
    assert "Bands every" not in mode.rows()[-1].value


def test_one_click_takes_a_traced_fibril(mode, gallery):
    mode.act("along", "fibril")
    mode.click(*place(gallery, crest_nm(gallery), 0.0))
    detail = gallery.library.detail("tiny-1", "n001")
    length = detail["fibrils.length_nm"]
    assert np.isclose(length, mode._profile.distance_nm[-1], rtol=0.1).any()


def test_a_click_off_all_images_or_a_bad_width_changes_nothing(mode, gallery):
    mode.click(-500.0, -500.0)
    assert "no height image" in mode.rows()[-1].value
    assert not mode.marks().points["x"]
    for width in (-1, 1e9, "wide", None):
        mode.act("width", width)
    assert mode._width_nm == 30.0


def test_leaving_the_mode_leaves_no_line(mode, gallery):
    mode.click(*place(gallery, 0.0, 0.0))
    mode.end()
    assert mode.marks().points["x"] == []


def stroke_pixels(picture):
    return int((picture.overlay[..., :3] == np.array(STROKE[:3])).all(axis=2).sum())


def test_strokes_stand_on_the_bands_only_where_they_are_far_enough_apart(gallery):
    scene = gallery.scene("tiny-1")
    x, y = place(gallery, 0.0, 0.0)
    paint = Paint(frozenset({"bands"}))
    near = Painter().draw(scene, Box(x, y, 0.003, 300, 300), paint)
    assert stroke_pixels(near) > 200
    far = Painter().draw(scene, Box(x, y, 1.1 * BELOW_UM_PER_PX, 300, 300), paint)
    assert stroke_pixels(far) == 0
    away = Painter().draw(scene, Box(x + 50, y, 0.003, 300, 300), paint)
    assert stroke_pixels(away) == 0
