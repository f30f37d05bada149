"""Where the frames of a hand-held clip lie to each other, through the room of stitching."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from engine.clips.focus import ReadFrame
from engine.clips.results import FrameFocus, FramePath
from engine.clips.settings import ClipsSettings
from engine.stitching import StitchingSettings, bodies, settings_for_pixel, solve_positions
from engine.stitching.register import gather_links
from engine.stitching.shifts import Shift, measure_shift
from engine.stitching.strips import Strip, cut_strip

_UNKNOWN_UM = 1.0
"""Pixel that the band-pass is laid out for where none is given."""


def find_path(
    read: ReadFrame,
    focus: FrameFocus,
    settings: ClipsSettings,
    pixel_um: float | None,
    progress: Callable[[float], None] | None = None,
) -> FramePath:
    """Find the places of all usable frames from links between each and the next ones.

    Each usable frame is compared with the next few usable ones (band-passed plain cross-correlation
    within reach of where the last move leads), so that a blurred frame between two sharp ones
    breaks nothing and every link but the outermost lies on a loop. All places follow at once by
    robust least squares; the piece that holds the most sharp frames is kept.

    Parameters
    ----------
    read
        Gives a frame by its number.
    focus
        Which frames are usable.
    settings
        Reach.
    pixel_um
        Pixel size; lays out the band-pass.
    progress
        Told the share done.
    """
    frames = len(focus.score)
    usable = np.flatnonzero(focus.usable)
    s = settings_for_pixel(pixel_um or _UNKNOWN_UM).model_copy(
        update={"search_px": settings.search_px}
    )
    if len(usable) < 2:
        return _alone(frames, focus)
    pairs, shifts, place = _measure(read, usable, settings, s, progress)
    solved = solve_positions(place, gather_links(pairs, shifts, s), s)
    body = bodies(len(usable), pairs[solved.consistent])
    sharp = np.bincount(body, weights=focus.sharp[usable] + 1e-3)
    inside = body == int(np.argmax(sharp))
    if inside.sum() < 2:
        return _alone(frames, focus)
    place_px = np.full((frames, 2), np.nan)
    corrected = solved.corrected_px[inside]
    place_px[usable[inside]] = corrected - corrected.min(axis=0)
    kept = solved.consistent & inside[pairs[:, 0]]
    # a component's share of a distance in the plane
    rms = float(np.sqrt(np.mean(solved.residual_px[kept] ** 2) / 2.0))
    return FramePath(place_px, np.isfinite(place_px[:, 0]), int(kept.sum()), rms)


def _alone(frames: int, focus: FrameFocus) -> FramePath:
    """Keep the sharpest frame by itself."""
    place = np.full((frames, 2), np.nan)
    place[focus.sharpest] = 0.0
    return FramePath(place, np.isfinite(place[:, 0]), 0, float("nan"))


def _measure(
    read: ReadFrame,
    usable: NDArray[np.int64],
    settings: ClipsSettings,
    s: StitchingSettings,
    progress: Callable[[float], None] | None,
) -> tuple[NDArray[np.int64], list[Shift], NDArray[np.float64]]:
    """Pairs, their shifts, and places by following the moves from one frame to the next."""
    place = np.zeros((len(usable), 2))
    move = np.zeros(2)
    pairs: list[tuple[int, int]] = []
    shifts: list[Shift] = []
    before: list[tuple[int, Strip]] = []
    for number, frame in enumerate(usable.tolist()):
        strip = _strip(read, frame, s)
        if before:
            place[number] = place[number - 1] + move
        for other, first in reversed(before):
            expected = place[number] - place[other]
            shift = measure_shift(first, strip, (expected[0], expected[1]), s)
            pairs.append((other, number))
            shifts.append(shift)
            if other == number - 1:
                believed = shift.correlations[0] >= s.correlation_min
                # hands move smoothly: the next move is foreseen to be like the last one
                move = shift.offsets_px[0] if believed else 0.5 * move
                place[number] = place[other] + (shift.offsets_px[0] if believed else expected)
        before = [*before, (number, strip)][-settings.links_ahead :]
        if progress is not None:
            progress((number + 1) / len(usable))
    return np.array(pairs, np.int64), shifts, place


def _strip(read: ReadFrame, frame: int, s: StitchingSettings) -> Strip:
    image = read(frame)
    whole = (slice(0, image.shape[0]), slice(0, image.shape[1]))
    return cut_strip(image, whole, s)
