"""From ridge crests to one-pixel traces without spurs."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import skeletonize

from engine.collagen.ridges import Ridges
from engine.collagen.settings import CollagenSettings

Mask = NDArray[np.bool_]

_BORDER_SHARE = 0.3  # of the diameter: the ridge filter's sigma
_EIGHT = np.ones((3, 3), dtype=bool)
# The eight neighbours in a turn round the pixel, (dv, du).
_TURN = ((-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1))


def skeleton(ridges: Ridges, settings: CollagenSettings) -> Mask:
    """One-pixel traces: crests above the low strength that hang together with one above the high.

    Parameters
    ----------
    ridges
        Response of the filter.
    settings
        ``ridge_high``, ``ridge_low``.

    Returns
    -------
    numpy.ndarray
        Boolean, shape (rows, cols).
    """
    crest = ridges.crest & (ridges.strength > settings.ridge_low)
    # Crests break by a pixel where the direction turns; a pixel's bridge keeps a trace whole.
    crest = ndimage.binary_closing(np.pad(crest, 1), _EIGHT)[1:-1, 1:-1]
    label, count = ndimage.label(crest, _EIGHT)
    strong = np.zeros(count + 1, bool)
    strong[np.unique(label[crest & (ridges.strength > settings.ridge_high)])] = True
    strong[0] = False
    return np.asarray(skeletonize(strong[label]), dtype=bool)


def neighbours(thin: Mask) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """Count skeleton neighbours and branches (0 to 1 changes in a turn) of each pixel.

    Parameters
    ----------
    thin
        Skeleton, shape (rows, cols).

    Returns
    -------
    tuple of numpy.ndarray
        Neighbours and branches, zero off the skeleton, shape (rows, cols) each.
    """
    p = np.pad(thin, 1)
    rows, cols = thin.shape
    ring = [p[1 + dv : 1 + dv + rows, 1 + du : 1 + du + cols] for dv, du in _TURN]
    count = np.zeros(thin.shape, np.int8)
    branch = np.zeros(thin.shape, np.int8)
    for k in range(8):
        count += ring[k]
        branch += ~ring[k - 1] & ring[k]
    return count * thin, branch * thin


def prune(thin: Mask, diameter_nm: NDArray[np.float32], pixel_nm: float, passes: int = 2) -> Mask:
    """Take off spurs: free-ended branches shorter than the fibril they stand on is wide.

    Parameters
    ----------
    thin
        Skeleton, shape (rows, cols).
    diameter_nm
        Diameter expected at each pixel, shape (rows, cols).
    pixel_nm
        Pixel size.
    passes
        How often, since a spur may carry a spur.

    Returns
    -------
    numpy.ndarray
        Skeleton, shape (rows, cols).
    """
    for _ in range(passes):
        count, branch = neighbours(thin)
        knot = ndimage.binary_dilation(branch >= 3, _EIGHT)
        label, number = ndimage.label(thin & ~knot, _EIGHT)
        at = np.flatnonzero(label)
        piece = label.ravel()[at]
        size = np.bincount(piece, minlength=number + 1)
        free = np.bincount(piece, count.ravel()[at] == 1, number + 1) > 0
        wide = np.zeros(number + 1, np.float32)
        np.maximum.at(wide, piece, diameter_nm.ravel()[at])
        touches = np.zeros(number + 1, bool)
        touches[np.unique(label[ndimage.binary_dilation(knot, _EIGHT)])] = True
        spur = free & touches & (size * pixel_nm < wide)
        spur[0] = False
        thin = np.asarray(skeletonize(thin & ~spur[label]), dtype=bool)
    return thin


def off_border(diameter_nm: NDArray[np.float32], pixel_nm: tuple[float, float]) -> Mask:
    """Tell where the border is too far to have bent a ridge: nothing is known beyond it.

    Parameters
    ----------
    diameter_nm
        Diameter expected at each pixel, shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    numpy.ndarray
        Boolean, shape (rows, cols).
    """
    rows, cols = diameter_nm.shape
    v, u = np.arange(rows), np.arange(cols)
    away = np.minimum.outer(
        (np.minimum(v, rows - 1 - v) + 0.5) * pixel_nm[1],
        (np.minimum(u, cols - 1 - u) + 0.5) * pixel_nm[0],
    )
    return np.asarray(away > np.maximum(_BORDER_SHARE * diameter_nm, 1.5 * max(pixel_nm)))
