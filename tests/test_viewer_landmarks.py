"""Landmarks moved on the mosaic: residuals at once, sets kept, a run made with them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import viewer_kit

from engine.errors import SplendensError
from engine.frames import fit_frame
from engine.store.landmark_sets import (
    LandmarkSet,
    read_landmark_set,
    save_landmarks,
    saved_sets,
    set_of,
)
from viewer import plane_rerun
from viewer.cli import app
from viewer.gallery import Gallery
from viewer.landmark_marks import magnified
from viewer.landmark_words import frame_lines, new_landmark
from viewer.library import Library
from viewer.plane import PlaneView
from viewer.plane_landmarks import EMPTY, LandmarkMode
from viewer.state import ViewState


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return viewer_kit.tiny_store(tmp_path_factory.mktemp("landmarks"))


@pytest.fixture
def plane(analysed: Path) -> PlaneView:
    state = ViewState(discs=["tiny-1"], disc="tiny-1", um_per_px=0.2, who="A. Person")
    view = PlaneView(state, Gallery(Library.open([analysed])))
    state.mode = "landmarks"
    return view


def mode_of(plane: PlaneView) -> LandmarkMode:
    mode = plane.modes.present
    assert isinstance(mode, LandmarkMode)
    return mode


def rows(plane: PlaneView) -> dict:
    return {row.key: row for row in mode_of(plane).rows()}


def test_it_begins_with_the_landmarks_of_the_run(plane: PlaneView) -> None:
    frame = plane.gallery.library.store("tiny-1").frame
    marks = mode_of(plane).marks()
    assert [w.strip() for w in marks.words["text"][:5]] == list(frame.names)
    np.testing.assert_allclose(marks.words["x"][:5], frame.disc_um[:, 0])
    assert "5 landmarks, mirrored" in rows(plane)["worth"].value
    assert "keep" not in rows(plane)


def test_two_clicks_move_a_landmark_and_the_frame_follows(plane: PlaneView) -> None:
    mode, frame = mode_of(plane), plane.gallery.library.store("tiny-1").frame
    x, y = frame.disc_um[2]
    mode.click(x + 60, y)
    assert "no landmark there" in rows(plane)["said"].value
    mode.click(x + 1.0, y)
    assert "L3 is taken up" in rows(plane)["taken"].value
    mode.click(x + 8, y - 6)
    disc = frame.disc_um.copy()
    disc[2] += [8, -6]
    expected = fit_frame(frame.stage_um, disc, frame.names)
    np.testing.assert_allclose(mode.frame().matrix, expected.matrix, atol=1e-12)
    said = rows(plane)["worth"].value
    assert f"residual {expected.rms_um:.2g}".rstrip("0") in said
    assert "Crosses" in said
    sites = plane.gallery.library.store("tiny-1").sites
    crosses = [
        p
        for p, m in zip(mode.marks().points["x"], mode.marks().points["marker"], strict=True)
        if m == "x"
    ]
    first = next(iter(sites.values()))
    assert crosses[0] == pytest.approx(expected.to_disc([first.stage_um])[0, 0])
    assert len(crosses) == len(sites)
    mode.act("back", True)
    assert "keep" not in rows(plane)


def test_a_landmark_is_left_out_and_too_few_give_no_frame(plane: PlaneView) -> None:
    mode, frame = mode_of(plane), plane.gallery.library.store("tiny-1").frame
    for i in range(3):
        mode.click(*frame.disc_um[i])
        mode.act("drop", True)
    assert mode.frame() is None
    assert "three or more" in rows(plane)["worth"].value
    assert rows(plane)["keep"].disabled
    mode.act("keep", True)
    assert "landmarks" in rows(plane)["said"].value


def test_a_new_landmark_is_typed_and_clicked(plane: PlaneView) -> None:
    mode, frame = mode_of(plane), plane.gallery.library.store("tiny-1").frame
    place = np.array([[90.0, 40.0]])
    x, y = frame.to_stage(place)[0]
    mode.act("new", f"P1 {x:.3f} {y:.3f}")
    assert "click the place of P1" in rows(plane)["said"].value
    mode.click(90.0, 40.0)
    assert "6 landmarks" in rows(plane)["worth"].value
    assert mode.frame().residual_um[-1] < 0.01
    mode.act("new", "P1 1 2")
    assert "already" in rows(plane)["said"].value


@pytest.mark.parametrize("text", ["", "L9", "L9 1", "L9 a b", "L9 nan 2", "L9 1 2 3", "<b> 1 2"])
def test_what_is_no_landmark_is_refused(text: str) -> None:
    with pytest.raises(SplendensError, match="expected a name and two numbers"):
        new_landmark(text, ())


def test_a_set_is_kept_with_a_name_and_used_in_a_run(
    plane: PlaneView, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = []

    class Stand:
        state, what, share = "done", "run-0009", 1.0

        def __init__(self, path: Path, settings: object, reuse: bool) -> None:
            begun.append((path, settings, reuse))

        def look(self) -> bool:
            return False

    monkeypatch.setattr(plane_rerun, "Rerun", Stand)
    mode, path = mode_of(plane), plane.gallery.library.store("tiny-1").path
    plane.state.who = ""
    mode.click(*plane.gallery.library.store("tiny-1").frame.disc_um[0])
    mode.click(30.0, 30.0)
    assert "keep" not in rows(plane)
    assert "who" in rows(plane)
    mode.act("who", "B. Other")
    before = set(saved_sets(path))
    mode.act("use", True)
    (name,) = set(saved_sets(path)) - before
    assert saved_sets(path)[name]["saved"]["who"] == "B. Other"
    np.testing.assert_allclose(read_landmark_set(path, name).disc_um[0], [30, 30])
    ((_, settings, reuse),) = begun
    assert (settings.landmarks, settings.use_corrections, reuse) == (name, False, True)
    assert name in dict(rows(plane)["set"].items)
    mode.act("set", "as imported")
    assert "keep" not in rows(plane)
    mode.act("set", name)
    np.testing.assert_allclose(mode.frame().disc_um[0], [30, 30])
    mode.act("method", "affine")
    assert mode.frame().method == "affine"


def test_changes_outlast_a_look_elsewhere(plane: PlaneView) -> None:
    mode = mode_of(plane)
    mode.click(*plane.gallery.library.store("tiny-1").frame.disc_um[0])
    mode.click(33.0, 33.0)
    plane.state.mode = ""
    plane.state.mode = "landmarks"
    np.testing.assert_allclose(mode.frame().disc_um[0], [33, 33])


def test_a_page_shows_a_runs_own_frame(analysed: Path) -> None:
    from engine.analysis import analyse_store
    from engine.settings import Settings
    from engine.store import open_store

    own = set_of(open_store(analysed).frame)
    moved = replace(own, disc_um=np.add(own.disc_um, [12.0, -7.0]))
    name = save_landmarks(analysed, moved, "A")
    run = analyse_store(analysed, Settings(landmarks=name), reuse=True).run
    gallery = Gallery(Library.open([analysed]))
    first, second = gallery.pinned("run-0001"), gallery.pinned(run)
    at = [g.scene("tiny-1").sites["b001"].centre_um for g in (first, second)]
    np.testing.assert_allclose(at[1] - at[0], [12, -7], atol=1e-6)
    curves = [g.scene("tiny-1").curves.x_um for g in (first, second)]
    np.testing.assert_allclose(curves[1] - curves[0], 12, atol=1e-6)
    assert first.library.store("tiny-1").info == second.library.store("tiny-1").info


def test_sets_are_listed_and_printed(analysed: Path) -> None:
    from typer.testing import CliRunner

    from engine.store import open_store

    own = set_of(open_store(analysed).frame)
    name = save_landmarks(analysed, own, "C. Third")
    listed = CliRunner().invoke(app, ["landmarks", str(analysed)])
    assert f"{name}: by C. Third, " in listed.output
    printed = CliRunner().invoke(app, ["landmarks", str(analysed), "--set", name])
    assert printed.output == own.csv()
    assert CliRunner().invoke(app, ["landmarks", str(analysed), "--set", "no"]).exit_code == 2


def test_arrows_are_lengthened_by_a_round_number() -> None:
    square = np.array([[0.0, 0], [1000, 0], [1000, 1000], [0, 1000]])
    seen = np.add(square, [[3.0, 0], [0, 0], [-1, 0], [0, 2]])
    found = LandmarkSet(("a", "b", "c", "d"), square, seen)
    times = magnified(found, found.frame())
    assert times in {20.0, 50.0, 100.0, 200.0}
    largest = times * found.frame().residual_um.max()
    assert 60 < largest <= 200
    exact = replace(found, disc_um=square)
    assert magnified(exact, exact.frame()) == 1
    assert frame_lines(EMPTY, None)[0].startswith("0 landmarks")
