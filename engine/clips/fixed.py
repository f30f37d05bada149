"""A pattern that stays in place in every frame: fibres of a bundle, dust on a lens.

It would hold the frames together at no move at all. Where the window wanders, the median over the
frames of (frame over its own surround) keeps what stays and loses what moves.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from engine.clips.focus import ReadFrame

_FRAMES = 30
_SURROUND_PX = 10.0
LEAST_CONTRAST = 0.02
"""Relative standard deviation from which a fixed pattern is taken out; judgement."""
LEAST_TRAVEL_PX = 15.0
"""Way that the frames must have moved for the median to have lost the scene; judgement."""
_DARKEST = 0.2


def fixed_pattern(read: ReadFrame, frames: int) -> NDArray[np.float32] | None:
    """Find the pattern that all frames share in place.

    Its contrast is the covariance of what the first and the last half of the frames give, so that
    noise does not count. A scene that hardly moves shows here too: the caller must see to it that
    the frames, once divided, do move.

    Parameters
    ----------
    read
        Gives a frame by its number.
    frames
        Their number.

    Returns
    -------
    ndarray or None
        (rows, cols) of mean about one; None where nothing of that kind is seen.
    """
    picked = np.linspace(0, frames - 1, min(frames, _FRAMES)).astype(int)
    if len(picked) < 6:
        return None
    ratios = np.stack([_over_surround(np.asarray(read(int(i)), np.float32)) for i in picked])
    half = len(picked) // 2
    first, last = np.median(ratios[:half], axis=0), np.median(ratios[half:], axis=0)
    shared = float(np.mean((first - first.mean()) * (last - last.mean())))
    if shared < LEAST_CONTRAST**2:
        return None
    pattern = np.median(ratios, axis=0)
    return np.asarray(np.clip(pattern / pattern.mean(), _DARKEST, None), np.float32)


def without(read: ReadFrame, pattern: NDArray[np.float32]) -> ReadFrame:
    """Give frames divided by a pattern."""
    return lambda number: np.asarray(read(number), np.float32) / pattern


def _over_surround(image: NDArray[np.float32]) -> NDArray[np.float32]:
    surround = gaussian_filter(image, _SURROUND_PX, mode="nearest")
    return np.asarray(image / np.maximum(surround, 1e-3), np.float32)
