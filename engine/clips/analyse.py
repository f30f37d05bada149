"""A clip from frames to verdict: focus, path, mosaic, cells."""

from collections.abc import Callable

import numpy as np

from engine.cells import CellsSettings
from engine.clips.fixed import LEAST_TRAVEL_PX, fixed_pattern, without
from engine.clips.flags import CUT, FEW_PLACED, FIXED_PATTERN, MOSAIC_CUT
from engine.clips.focus import ReadFrame, judge_focus
from engine.clips.mosaic import make_mosaic
from engine.clips.path import find_path
from engine.clips.results import ClipAnalysis, FrameFocus, FramePath
from engine.clips.settings import ClipsSettings
from engine.clips.verdict import judge_mosaic

Tell = Callable[[float], None]

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
    focus, path, read, divided = _placed(read, count, pixel_um, s, tell)
    mosaic, cut = make_mosaic(read, focus, path, s)
    verdict = judge_mosaic(mosaic, pixel_um, s, cells or CellsSettings(), seed)
    placed = int(path.joined.sum()) / max(int(focus.usable.sum()), 1)
    found = {
        FIXED_PATTERN.name: divided,
        FEW_PLACED.name: placed < _PLACED_MIN,
        CUT.name: frames > count,
        MOSAIC_CUT.name: cut,
    }
    flags = (*verdict.flags, *(name for name, true in found.items() if true))
    tell(1.0)
    return ClipAnalysis(focus, path, mosaic, verdict, flags)


def _placed(
    read: ReadFrame, count: int, pixel_um: float | None, s: ClipsSettings, tell: Tell
) -> tuple[FrameFocus, FramePath, ReadFrame, bool]:
    """Focus and path; of frames without their fixed pattern where these are seen to move."""
    pattern = fixed_pattern(read, count)
    if pattern is not None:
        clean = without(read, pattern)
        focus = judge_focus(clean, count, s)
        path = find_path(clean, focus, s, pixel_um, lambda share: tell(0.1 + 0.3 * share))
        if np.ptp(path.place_px[path.joined], axis=0).max() >= LEAST_TRAVEL_PX:
            return focus, path, clean, True
    focus = judge_focus(read, count, s)
    tell(0.4)
    path = find_path(read, focus, s, pixel_um, lambda share: tell(0.4 + 0.4 * share))
    return focus, path, read, False
