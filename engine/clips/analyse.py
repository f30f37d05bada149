"""A clip from frames to verdict: focus, path, mosaic, cells."""

from collections.abc import Callable

from engine.cells import CellsSettings
from engine.clips.flags import CUT, FEW_PLACED, MOSAIC_CUT
from engine.clips.focus import ReadFrame, judge_focus
from engine.clips.mosaic import make_mosaic
from engine.clips.path import find_path
from engine.clips.results import ClipAnalysis
from engine.clips.settings import ClipsSettings
from engine.clips.verdict import judge_mosaic

_PLACED_MIN = 0.5


def analyse_clip(
    read: ReadFrame,
    frames: int,
    pixel_um: float | None,
    settings: ClipsSettings | None = None,
    cells: CellsSettings | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> ClipAnalysis:
    """Analyse a clip; for research only, it names no more than three patterns, or none.

    Parameters
    ----------
    read
        Gives a frame (rows, cols) by its number; all of one shape.
    frames
        Their number, at least 2.
    pixel_um
        Pixel size; None if it is not known.
    settings, cells
        Settings of clips; of detection and grading.
    seed
        Of all resampling.
    progress
        Told the share done.

    Raises
    ------
    ValueError
        If there are fewer than two frames.
    """
    if frames < 2:
        raise ValueError(f"a clip needs at least 2 frames, got {frames}")
    s, tell = settings or ClipsSettings(), progress or (lambda _share: None)
    count = min(frames, s.frames_max)
    focus = judge_focus(read, count, s)
    tell(0.2)
    path = find_path(read, focus, s, pixel_um, lambda share: tell(0.2 + 0.6 * share))
    mosaic, cut = make_mosaic(read, focus, path, s)
    verdict = judge_mosaic(mosaic, pixel_um, s, cells or CellsSettings(), seed)
    placed = int(path.joined.sum()) / max(int(focus.usable.sum()), 1)
    found = {
        FEW_PLACED.name: placed < _PLACED_MIN,
        CUT.name: frames > count,
        MOSAIC_CUT.name: cut,
    }
    flags = (*verdict.flags, *(name for name, true in found.items() if true))
    tell(1.0)
    return ClipAnalysis(focus, path, mosaic, verdict, flags)
