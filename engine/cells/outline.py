"""Where the tissue ends, from the mosaic alone."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, gaussian_filter, label
from skimage.filters import threshold_otsu
from skimage.measure import approximate_polygon, find_contours, regionprops

from engine.cells.settings import CellsSettings, OutlineSettings

_QUANTILE = 0.25
"""Of the pixels of a square: its ground, not the nuclei on it."""

_NONE = np.empty((0, 2), dtype=np.float64)


def _grounds(image: Any, side_px: int) -> NDArray[np.float64]:
    """Lower-quartile brightness of squares, (rows // side, cols // side), a strip at a time."""
    rows, cols = image.shape[0] // side_px, image.shape[1] // side_px
    out = np.empty((rows, cols))
    rank = int(_QUANTILE * (side_px * side_px - 1))
    for r in range(rows):
        strip = np.asarray(image[r * side_px : (r + 1) * side_px, : cols * side_px])
        squares = strip.reshape(side_px, cols, side_px).swapaxes(0, 1).reshape(cols, -1)
        out[r] = np.partition(np.nan_to_num(squares), rank, axis=1)[:, rank]
    return out


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    parts, count = label(mask)
    if count == 0:
        return mask
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    return np.asarray(binary_fill_holes(parts == sizes.argmax()), dtype=np.bool_)


def _tissue(ground: NDArray[np.float64], s: OutlineSettings) -> NDArray[np.bool_] | None:
    """Mask of the tissue; None where it can't be told from a surround."""
    # haze and vignetting are multiplicative: on a logarithm they weigh the same everywhere
    log = np.log(np.maximum(ground - ground.min(), 0) + max(float(np.ptp(ground)) * 0.05, 1e-9))
    smoothed = gaussian_filter(log, 1.0)
    if np.ptp(smoothed) <= 0:
        return None
    bright = smoothed > threshold_otsu(smoothed)
    inside, outside = smoothed[bright], smoothed[~bright]
    if min(inside.size, outside.size) < 0.01 * smoothed.size:
        return None
    pooled = np.sqrt(0.5 * (inside.var() + outside.var()))
    if inside.mean() - outside.mean() < s.separation_min * pooled:
        return None
    mask = _largest(bright)
    solidity = regionprops(mask.astype(np.uint8))[0].solidity
    return mask if solidity >= s.solidity_min else None


def tissue_outline(
    image: Any, pixel_um: float, settings: CellsSettings | None = None
) -> NDArray[np.float64]:
    """Outline of the tissue.

    The image is reduced to the ground of small squares, parted by Otsu's threshold on the
    logarithm, and the largest bright part is outlined. No outline is given where the two classes
    do not stand apart or the part is ragged: then the image shows tissue all over, or nothing.

    Parameters
    ----------
    image
        (rows, cols), an array or anything that slices to one; read a strip at a time.
    pixel_um
        Pixel size.
    settings
        Settings.

    Returns
    -------
    ndarray
        (m, 2) corners x, y in um, disc frame, not closed; (0, 2) where no outline can be told.

    Raises
    ------
    ValueError
        If the image is not two-dimensional or the pixel size is not positive.
    """
    if len(image.shape) != 2 or pixel_um <= 0:
        raise ValueError(f"need (rows, cols) and pixel_um > 0, got {image.shape}, {pixel_um}")
    s = (settings or CellsSettings()).outline
    side = max(1, round(s.cell_um / pixel_um))
    if min(image.shape) < 8 * side:
        return _NONE
    mask = _tissue(_grounds(image, side), s)
    if mask is None:
        return _NONE
    contours = find_contours(np.pad(mask, 1).astype(float), 0.5)
    ring = approximate_polygon(max(contours, key=len), tolerance=0.35)[:-1] - 1
    # the centre of a square lies half a side from its first pixel's centre
    centre = (side - 1) / 2
    return np.asarray((ring[:, ::-1] * side + centre) * pixel_um, dtype=np.float64)
