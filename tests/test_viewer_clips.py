"""The clips panel: only where a disc has clips; it shows the verdict, or why there is none."""

from pathlib import Path

import numpy as np
import pytest
from clips_kit import clips_folder, write_tiff
from clips_simulator import make_clip

from engine.analysis import analyse_store
from engine.importing import import_folder
from engine.store import open_store
from viewer.address import decode, encode
from viewer.clips_facts import clip_facts, clip_names, grey, sharpest_of_stretches
from viewer.clips_panel import ClipsPanel
from viewer.clips_words import RESEARCH, head_html, mosaic_html, strip_html
from viewer.library import Library
from viewer.state import ViewState


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    home = tmp_path_factory.mktemp("clips")
    clip = make_clip("string", 6, 16)
    tables = [
        {"file": "s.tif", "pixel_size_um": 1.0, "note": "<b>left</b>"},
        {"file": "s.tif", "name": "no-scale"},
    ]
    folder = clips_folder(home / "disc", tables)
    write_tiff(folder / "s.tif", clip.frames, compression="zlib")
    import_folder(folder, home / "disc.zarr")
    analyse_store(home / "disc.zarr")
    return Library([open_store(home / "disc.zarr")])


def test_what_is_said(library: Library) -> None:
    assert clip_names(library, "tiny-1") == ("no-scale", "s")
    named = head_html(clip_facts(library, "tiny-1", "s"))
    assert "strings" in named
    assert RESEARCH in named
    assert "&lt;b&gt;left" in named
    silent = head_html(clip_facts(library, "tiny-1", "no-scale"))
    assert "no pattern named" in silent
    assert "pixel size not given" in silent
    assert RESEARCH in silent


def test_mosaic_and_strip(library: Library) -> None:
    facts = clip_facts(library, "tiny-1", "s")
    drawn = mosaic_html(facts, True)
    assert drawn.count("<circle") == len(facts.cells_px) == facts.row["cells"]
    assert "µm wide" in drawn
    pictures = [(n, np.zeros((40, 40), np.uint8)) for n in facts.strip]
    strip = strip_html(pictures, facts)
    assert strip.count("<img") == len(facts.strip) == 8
    assert f"{facts.sharpest} sharpest" in strip
    assert "<circle" not in mosaic_html(clip_facts(library, "tiny-1", "no-scale"), False)


def test_the_panel_is_filled_when_it_is_opened(library: Library) -> None:
    state = ViewState(discs=["tiny-1"], disc="tiny-1")
    panel = ClipsPanel(state, library)
    assert not panel._body.objects
    state.clips_open = True
    assert panel._body.objects
    assert panel.frame == 0 or clip_facts(library, "tiny-1", "no-scale").sharpest == panel.frame
    panel._choose("s")
    facts = clip_facts(library, "tiny-1", "s")
    assert panel.frame == facts.sharpest
    panel._show_frame(3)
    assert "frame 3" in panel._large.object
    before = panel._body.objects
    state.dark = not state.dark
    assert panel._body.objects is not before


def test_a_disc_never_analysed_shows_its_frames(tmp_path: Path) -> None:
    folder = clips_folder(tmp_path / "disc", [{"file": "s.tif"}])
    write_tiff(folder / "s.tif", make_clip("string", 6, 4, side=64).frames)
    import_folder(folder, tmp_path / "disc.zarr")
    library = Library([open_store(tmp_path / "disc.zarr")])
    state = ViewState(discs=["tiny-1"], disc="tiny-1", clips_open=True)
    panel = ClipsPanel(state, library)
    assert "analyse anew" in head_html(clip_facts(library, "tiny-1", "s"))
    assert panel.frame == 0


def test_the_address_holds_it() -> None:
    state = ViewState(discs=["a"], disc="a", clips_open=True)
    assert decode(encode(state))["clips_open"] is True
    state.clips_open = False
    assert decode(encode(state))["clips_open"] is False


def test_helpers() -> None:
    assert sharpest_of_stretches(np.array([3.0, 1.0])) == (0, 1)
    stretched = grey(np.array([[np.nan, 1.0], [5.0, 9.0]], np.float32))
    assert stretched.dtype == np.uint8
    assert stretched[1, 1] == 255
    assert stretched[0, 0] == 0
