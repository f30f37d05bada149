"""How brightness falls off over a frame, told from frames that show the same spots at two places.

Neighbouring frames of a clip show much the same scene, so that what they have in common is no
shading, as it would be in tiles of a mosaic. But once the frames are placed, every spot is seen at
several places in the frame: log(seen) = log(scene at the spot) + log(shading at the place) +
log(light of the frame). Scene and light drop out by taking means off in turn; what is left is two
numbers, of r^2 and r^4 from the frame's middle: a lens shades round its axis.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from engine.clips.focus import ReadFrame
from engine.clips.results import FramePath
from engine.stitching import FlatField

_FRAMES = 60
_CELLS = 24
"""Samples along the shorter side of a frame."""
_ROUNDS = 12
_LEAST_SHARE = 0.02
"""Share of r^2 that spot and frame must leave unexplained: frames that never moved tell nothing."""
_DEEPEST = 0.97
_POWERS = np.array([[0, 0], [2, 0], [0, 2], [4, 0], [2, 2], [0, 4]], np.int64)


def estimate_shading(read: ReadFrame, path: FramePath) -> FlatField:
    """Estimate the shading of a clip's joined frames.

    Parameters
    ----------
    read
        Gives a frame by its number.
    path
        Where the frames lie.

    Returns
    -------
    FlatField
        One everywhere (``estimated`` false) where the frames moved too little to tell.
    """
    joined = np.flatnonzero(path.joined)
    picked = joined[np.linspace(0, len(joined) - 1, min(len(joined), _FRAMES)).astype(int)]
    first = read(int(picked[0]))
    step = max(1, min(first.shape) // _CELLS)
    rows, cols = (np.arange(step // 2, n, step) for n in first.shape)
    samples, spots = [], []
    for number in picked.tolist():
        smooth = uniform_filter(np.asarray(read(number), np.float64), step, mode="nearest")
        samples.append(smooth[np.ix_(rows, cols)].ravel())
        at = np.rint(path.place_px[number] / step).astype(np.int64)
        grid = np.stack(np.meshgrid(rows // step, cols // step, indexing="ij"), axis=-1)
        spots.append((grid + at).reshape(-1, 2))
    seen, where = np.concatenate(samples), np.concatenate(spots)
    frame = np.repeat(np.arange(len(picked)), len(rows) * len(cols))
    side = max(first.shape)
    down = (2 * rows + 1 - first.shape[0]) / side
    across = (2 * cols + 1 - first.shape[1]) / side
    r2 = np.tile((down[:, None] ** 2 + across[None] ** 2).ravel(), len(picked))
    lit = seen > 0
    _, spot = np.unique(where[lit], axis=0, return_inverse=True)
    found = _fit(np.log(seen[lit]), r2[lit], spot.ravel(), frame[lit])
    low = float(np.quantile(seen, 0.01))
    nothing = FlatField(np.empty(0), np.empty((0, 2), np.int64), 0.0, low, False, 0.0)
    if found is None:
        return nothing
    two, four = found
    # per axis in units of that axis' half, as the flat field counts
    sy, sx = first.shape[0] / side, first.shape[1] / side
    terms = [two * sy**2, two * sx**2, four * sy**4, 2 * four * sy**2 * sx**2, four * sx**4]
    field = np.exp(two * r2 + four * r2**2)
    depth = float(1 - field.min() / field.max())
    if depth > _DEEPEST:
        return nothing
    coefficients = np.array([-np.log(field.mean()), *terms])
    return FlatField(coefficients, _POWERS, 0.0, low, True, depth)


def _fit(
    log_seen: NDArray[np.float64],
    r2: NDArray[np.float64],
    spot: NDArray[np.int64],
    frame: NDArray[np.int64],
) -> tuple[float, float] | None:
    """Coefficients of r^2 and r^4 in the logarithm, or None where they cannot be told."""
    columns = [_without_means(v, spot, frame) for v in (log_seen, r2, r2**2)]
    y, design = columns[0], np.column_stack(columns[1:])
    if not len(y) or np.var(design[:, 0]) < _LEAST_SHARE * np.var(r2):
        return None
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    return float(coefficients[0]), float(coefficients[1])


def _without_means(
    values: NDArray[np.float64], spot: NDArray[np.int64], frame: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Take off means of spots and of frames in turn until neither is left (Frisch and Waugh)."""
    left = values.copy()
    sizes = [np.maximum(np.bincount(group), 1) for group in (spot, frame)]
    for _ in range(_ROUNDS):
        for group, size in zip((spot, frame), sizes, strict=True):
            left -= (np.bincount(group, left) / size)[group]
    return left
