"""Whether heights can be what they are said to be: right way up, and in nanometres."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]

_TAIL = 0.01
_INVERTED = -0.25
_SMOOTH_PX = 1.0
_STEEPEST = 30.0  # rms gradient; relief that a tip can follow has about 0.1 to 3
_FLATTEST = 0.01


def curvature_asymmetry(height_nm: Array, pixel_nm: tuple[float, float]) -> float:
    """Tell how much sharper valleys are than crests.

    A tip rounds crests, which cannot bend more than its end, and leaves sharp cusps where it
    touches two sides at once; upside down it is the other way round.

    Parameters
    ----------
    height_nm
        Levelled heights without NaN, shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    float
        Asymmetry of the outer hundredths of the curvature about its median, -1 to 1; positive
        for a surface seen by a tip, negative for one that is upside down, zero for noise.
    """
    even = ndimage.gaussian_filter(height_nm, _SMOOTH_PX)
    if min(even.shape) < 16:
        return 0.0
    mid = 2.0 * even[1:-1, 1:-1]
    bend = (even[1:-1, 2:] + even[1:-1, :-2] - mid) / pixel_nm[0] ** 2
    bend += (even[2:, 1:-1] + even[:-2, 1:-1] - mid) / pixel_nm[1] ** 2
    low, middle, high = np.quantile(bend[::2, ::2], [_TAIL, 0.5, 1.0 - _TAIL])
    return float((high + low - 2.0 * middle) / (high - low)) if high > low else 0.0


def upside_down(height_nm: Array, pixel_nm: tuple[float, float]) -> bool:
    """Tell whether the heights seem inverted.

    Parameters
    ----------
    height_nm
        Levelled heights without NaN, shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    bool
        Whether crests are sharper than valleys by far.
    """
    return curvature_asymmetry(height_nm, pixel_nm) < _INVERTED


def wrong_unit(gradient: float) -> bool:
    """Tell whether heights against pixels seem off by a factor of a thousand.

    Parameters
    ----------
    gradient
        Root mean square gradient Sdq; NaN says nothing.

    Returns
    -------
    bool
        Whether it lies outside what relief under a tip can have.
    """
    return gradient > _STEEPEST or 0.0 < gradient < _FLATTEST
