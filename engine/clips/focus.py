"""How sharp a frame is: the spread of its Laplacian of Gaussian over its mean, noise taken off."""

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_laplace

from engine.clips.results import FrameFocus
from engine.clips.settings import ClipsSettings

ReadFrame = Callable[[int], NDArray[Any]]
"""``read(number)`` -> (rows, cols) of one frame."""

_MAD_TO_SD = 1.4826
_TRUNCATE = 3.0


def focus_score(frame: NDArray[Any], sigma_px: float) -> float:
    """Score of one frame; zero for one without light.

    The noise is told from second differences along both axes (Immerkaer 1996, Computer Vision and
    Image Understanding 64:300), and its variance behind the Laplacian is taken off: a frame of
    noise alone has a score near zero.

    Parameters
    ----------
    frame
        (rows, cols).
    sigma_px
        Gaussian of the Laplacian.
    """
    image = np.asarray(frame, np.float32)
    mean = float(image.mean())
    if not mean > 0 or min(image.shape) < 3:
        return 0.0
    edges = gaussian_laplace(image, sigma_px, mode="nearest", truncate=_TRUNCATE)
    down = image[2:] - 2 * image[1:-1] + image[:-2]
    both = down[:, 2:] - 2 * down[:, 1:-1] + down[:, :-2]
    noise = float(np.median(np.abs(both))) * _MAD_TO_SD / 6.0
    variance = float(np.var(edges)) - (noise * _noise_gain(sigma_px)) ** 2
    return float(np.sqrt(max(variance, 0.0))) / mean


@lru_cache(maxsize=8)
def _noise_gain(sigma_px: float) -> float:
    """Root of the summed squares of the Laplacian: what it leaves of white noise."""
    size = 2 * int(np.ceil(_TRUNCATE * sigma_px)) + 3
    point = np.zeros((size, size))
    point[size // 2, size // 2] = 1
    return float(np.sqrt((gaussian_laplace(point, sigma_px, truncate=_TRUNCATE) ** 2).sum()))


def judge_focus(read: ReadFrame, frames: int, settings: ClipsSettings) -> FrameFocus:
    """Score every frame and say which ones are sharp.

    Parameters
    ----------
    read
        Gives a frame by its number.
    frames
        Their number.
    settings
        What is called sharp.
    """
    score = np.array([focus_score(read(i), settings.focus_sigma_px) for i in range(frames)])
    best = float(np.quantile(score, 0.95))
    sharp = (score >= settings.sharp_share * best) & (score >= settings.focus_min)
    usable = (score >= settings.usable_share * best) & (score > 0)
    return FrameFocus(score, sharp, usable, int(np.argmax(score)))
