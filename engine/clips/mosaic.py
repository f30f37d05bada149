"""The sharp frames of a clip as one picture, through the room of stitching."""

import numpy as np
from numpy.typing import NDArray

from engine.clips.focus import ReadFrame
from engine.clips.results import ClipMosaic, FrameFocus, FramePath
from engine.clips.settings import ClipsSettings
from engine.clips.shading import estimate_shading
from engine.stitching import blend_rows, lay_out

_CLOSER = 0.85
_FADE = 0.45


def make_mosaic(
    read: ReadFrame, focus: FrameFocus, path: FramePath, settings: ClipsSettings
) -> tuple[ClipMosaic | None, bool]:
    """Blend the sharpest joined frames; vignetting is told from all of them and taken off.

    Parameters
    ----------
    read
        Gives a frame by its number.
    focus, path
        Which frames are sharp, where they lie.
    settings
        How many frames, how large a picture.

    Returns
    -------
    (mosaic, cut)
        None where no joined frame is sharp; whether frames were left out to keep it small.
    """
    chosen = np.flatnonzero(focus.sharp & path.joined)
    if not len(chosen):
        return None, False
    best = np.argsort(-focus.score[chosen], kind="stable")[: settings.mosaic_frames_max]
    chosen = np.sort(chosen[best])
    shape = read(int(chosen[0])).shape
    rows, cols = int(shape[0]), int(shape[1])
    near, cut = _within(path.place_px[chosen], (rows, cols), settings.mosaic_pixels_max)
    chosen = chosen[near]
    place = path.place_px[chosen]
    canvas = lay_out(place, np.zeros_like(place), (rows, cols), (_FADE * rows, _FADE * cols))
    field = estimate_shading(read, path)

    def read_rows(tile: int, first: int, stop: int) -> NDArray[np.float32]:
        return np.asarray(read(int(chosen[tile])), np.float32)[first:stop]

    image = blend_rows(canvas, read_rows, 0, canvas.shape[0], field, np.float32)
    return ClipMosaic(image, chosen.astype(np.int64), canvas.origin_px), cut


def _within(
    place: NDArray[np.float64], shape: tuple[int, int], most: int
) -> tuple[NDArray[np.bool_], bool]:
    """Which frames lie near enough to their middle that one picture can hold them."""
    away = np.abs(place - np.median(place, axis=0)).max(axis=1)
    reach = float(away.max())
    kept = np.ones(len(place), bool)
    while np.prod(np.ptp(place[kept], axis=0) + shape) > most and kept.sum() > 1:
        reach *= _CLOSER
        kept = away <= max(reach, float(away.min()))
    return kept, not bool(kept.all())
