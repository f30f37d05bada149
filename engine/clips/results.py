"""What a clip comes to, as plain arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

VERDICTS = ("string", "cluster", "diffuse")
"""What can be named: double strings count as strings, small and big clusters as clusters."""
NO_FRAME = -1


@dataclass(frozen=True)
class FrameFocus:
    """How sharp each frame is.

    Attributes
    ----------
    score
        (n,) standard deviation of the frame's Laplacian of Gaussian, less the part of its noise,
        over its mean.
    sharp, usable
        (n,) whether a frame may show cells; whether it may at least join others.
    sharpest
        Number of the sharpest frame.
    """

    score: NDArray[np.float64]
    sharp: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    sharpest: int


@dataclass(frozen=True)
class FramePath:
    """Where the frames lie to each other.

    Attributes
    ----------
    place_px
        (n, 2) place (row, col) of each frame's first pixel; NaN for a frame that is not joined to
        the largest piece.
    joined
        (n,) whether it is.
    links
        Number of consistent links.
    residual_px
        Root mean square of the consistent links' residuals, a component; NaN without links.
    """

    place_px: NDArray[np.float64]
    joined: NDArray[np.bool_]
    links: int
    residual_px: float


@dataclass(frozen=True)
class ClipMosaic:
    """The sharp frames as one picture.

    Attributes
    ----------
    image
        (rows, cols), float32, NaN where no frame lies.
    frames
        Numbers of the frames it is made of.
    origin_px
        Place (row, col) of its first pixel in the frame of `FramePath.place_px`.
    """

    image: NDArray[np.float32]
    frames: NDArray[np.int64]
    origin_px: tuple[float, float]


@dataclass(frozen=True)
class ClipVerdict:
    """What the cells of the mosaic say, or why nothing is said.

    Attributes
    ----------
    verdict
        One of `VERDICTS`; empty where none is named.
    reason
        One sentence: the shares that decided, or why no pattern is named.
    support
        Share of resamplings of the groups that name the same pattern; NaN without cells.
    shares
        (3,) share of the cells of each of `VERDICTS`; NaN without cells.
    x_um, y_um, group, pattern
        (c,) cells in the mosaic's own frame: first pixel's centre at (0, 0); group's number and
        pattern's index.
    flags
        Names, see `engine.clips.flags`.
    """

    verdict: str
    reason: str
    support: float
    shares: NDArray[np.float64]
    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    group: NDArray[np.int64]
    pattern: NDArray[np.int64]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class ClipAnalysis:
    """All of it.

    Attributes
    ----------
    focus, path, mosaic, verdict
        See their classes; the mosaic is None where no frame is sharp.
    flags
        Names of all flags.
    """

    focus: FrameFocus
    path: FramePath
    mosaic: ClipMosaic | None
    verdict: ClipVerdict
    flags: tuple[str, ...]
