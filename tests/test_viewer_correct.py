"""Cells corrected by hand on the plane: named, kept, undone, drawn, and counted on request."""

from pathlib import Path

import pytest
import viewer_kit
from bokeh.events import DoubleTap, Tap

from engine.store.corrections import Correction, correct_cell, corrections_of
from viewer import plane_rerun
from viewer.gallery import Gallery
from viewer.library import Library
from viewer.plane import PlaneView
from viewer.plane_correct import CorrectMode, count_words
from viewer.state import ViewState


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return viewer_kit.tiny_store(tmp_path_factory.mktemp("correct"))


@pytest.fixture
def plane(analysed: Path) -> PlaneView:
    log = analysed / "saved" / "corrections" / "cells.json"
    log.unlink(missing_ok=True)
    state = ViewState(discs=["tiny-1"], disc="tiny-1", um_per_px=0.2, mode="")
    view = PlaneView(state, Gallery(Library.open([analysed])))
    state.mode = "cells"
    return view


def rows(plane: PlaneView) -> dict:
    return {row.key: row for row in plane.modes.present.rows()}


def named(plane: PlaneView) -> CorrectMode:
    mode = plane.modes.present
    assert isinstance(mode, CorrectMode)
    mode.act("who", "A. Person")
    return mode


def log_of(plane: PlaneView) -> list:
    return [(c.what, c.stands) for c in corrections_of(plane.gallery.library.store("tiny-1").path)]


def test_nothing_is_changed_before_a_name_is_given(plane: PlaneView) -> None:
    plane.modes.present.click(20.0, 20.0)
    assert log_of(plane) == []
    assert "name" in rows(plane)["said"].value
    assert "undo" not in rows(plane)
    plane.modes.act({"key": "who", "value": "   "})
    assert plane.state.who == ""
    plane.modes.act({"key": "who", "value": "A. Person"})
    assert plane.state.who == "A. Person"
    plane.modes.act({"key": "whose not", "value": True})
    assert plane.state.who == ""


def test_a_click_adds_takes_out_and_takes_back(plane: PlaneView) -> None:
    mode = named(plane)
    cell = plane.gallery.library.table("tiny-1", "cells").iloc[0]
    mode.click(20.0, 20.0)
    mode.click(cell["x_um"] + 0.5, cell["y_um"])
    assert log_of(plane) == [("add", True), ("remove", True)]
    taken = corrections_of(plane.gallery.library.store("tiny-1").path)[1]
    assert taken.x_um == cell["x_um"]  # the cell's own place, not the click's
    assert "1 added, 1 taken out, by A. Person" in rows(plane)["count"].value
    mode.click(21.0, 20.0)
    mode.click(cell["x_um"], cell["y_um"])
    assert log_of(plane) == [("add", False), ("remove", False)]
    assert len(plane.gallery.library.table("tiny-1", "cells")) == len(
        plane.gallery.library.store("tiny-1").table("cells")
    )


def test_undo_and_redo_walk_through_the_sessions_own_changes(plane: PlaneView) -> None:
    path = plane.gallery.library.store("tiny-1").path
    correct_cell(path, "add", 70.0, 20.0, "somebody else")
    mode = named(plane)
    mode.click(20.0, 20.0)
    mode.click(20.0, 20.0)
    stands = []
    for key in ("undo", "undo", "undo", "redo", "redo", "redo"):
        mode.act(key, True)
        stands.append(corrections_of(path)[1].stands)
    assert stands == [True, False, False, True, False, False]
    assert corrections_of(path)[0].stands
    mode.act("undo", True)
    mode.click(40.0, 20.0)
    assert rows(plane)["redo"].disabled


def test_from_far_away_no_cell_is_touched(plane: PlaneView) -> None:
    mode = named(plane)
    plane.state.um_per_px = 3.0
    mode.click(20.0, 20.0)
    assert log_of(plane) == []
    assert "closer" in rows(plane)["said"].value


def test_corrections_are_drawn_wherever_cells_are(plane: PlaneView) -> None:
    mode = named(plane)
    before = len(plane.sources.mode_lines.data["xs"])
    mode.click(20.0, 20.0)
    drawn = len(plane.sources.mode_lines.data["xs"])
    assert drawn > before
    plane.state.mode = ""
    assert len(plane.sources.mode_lines.data["xs"]) == drawn
    plane.state.layers = ["mosaic"]
    assert plane.sources.mode_lines.data["xs"] == []


def test_a_log_that_can_not_be_read_is_told_and_kept(plane: PlaneView) -> None:
    mode = named(plane)
    path = plane.gallery.library.store("tiny-1").path / "saved" / "corrections" / "cells.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("{", encoding="utf-8")
    mode.click(20.0, 20.0)
    assert "no JSON" in rows(plane)["trouble"].value
    assert path.read_text(encoding="utf-8") == "{"


def test_a_new_run_is_asked_for_with_the_settings_of_the_one_shown(
    plane: PlaneView, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = []

    class Stand:
        state, what, share = "at", "cells", 0.5

        def __init__(self, path: Path, settings: object, reuse: bool) -> None:
            begun.append((path, settings, reuse))

        def look(self) -> bool:
            return self.state == "at"

        def cancel(self) -> None:
            self.state = "cancelled"

    monkeypatch.setattr(plane_rerun, "Rerun", Stand)
    mode = named(plane)
    assert rows(plane)["regrade"].disabled
    mode.click(20.0, 20.0)
    assert not rows(plane)["regrade"].disabled
    mode.act("regrade", True)
    mode.act("regrade", True)
    ((path, settings, reuse),) = begun
    assert path == plane.gallery.library.store("tiny-1").path
    assert settings.use_corrections
    assert settings.landmarks == ""
    assert reuse
    assert "new run, 50 %" in rows(plane)["progress"].value
    mode.act("stop", True)
    assert "cancelled" in rows(plane)["progress"].value


def test_many_hands_are_named_by_the_first() -> None:
    made = [Correction(i, "add", 0, 0, who, "") for i, who in enumerate("ABA")]
    assert count_words(made) == "3 added, 0 taken out, by A and 1 more"
    assert count_words([]) == "nothing corrected yet"


def test_a_quick_click_elsewhere_counts_and_a_double_click_does_not(plane: PlaneView) -> None:
    named(plane)
    shown = plane.figure
    for event, x in ((Tap, 20.0), (DoubleTap, 40.0), (DoubleTap, 40.3), (DoubleTap, 60.0)):
        shown._trigger_event(event(shown, x=x, y=20.0))
    assert log_of(plane) == [("add", True)] * 3
