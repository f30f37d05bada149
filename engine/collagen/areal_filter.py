"""Areal Gaussian filters after ISO 16610-61, with missing data and at the border by regression."""

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]

ALPHA = float(np.sqrt(np.log(2.0) / np.pi))
"""Constant of the standard's weighting function (value from memory; 0.4697)."""

FINEST_PX = 5.0
"""Nesting indices below this many pixels are not filtered: the sampled weights would be wrong."""


def transmission(wavelength_nm: NDArray[np.floating], nesting_nm: float) -> Array:
    """Share of a sinusoid's amplitude that the Gaussian's smooth keeps (ISO 16610-61).

    Parameters
    ----------
    wavelength_nm
        Wavelengths, any shape.
    nesting_nm
        Nesting index: here one half is kept.

    Returns
    -------
    numpy.ndarray
        exp(-pi (alpha nesting / wavelength)^2), same shape.

    Examples
    --------
    >>> round(float(transmission(np.array(80.0), 80.0)), 12)
    0.5
    """
    ratio = ALPHA * nesting_nm / np.asarray(wavelength_nm, dtype=np.float64)
    return np.exp(-np.pi * ratio * ratio)


def _weights(nesting_px: float, count: int) -> Array:
    reach = min(int(np.ceil(nesting_px)), count - 1)  # cut at one index: less than 1e-6 is lost
    x = np.arange(-reach, reach + 1) / (ALPHA * nesting_px)
    w = np.exp(-np.pi * x * x)
    return np.asarray(w / w.sum())


def _along(values: Array, weights: Array, axis: int) -> Array:
    shape = [1, 1]
    shape[axis] = len(weights)
    full = signal.oaconvolve(values, weights.reshape(shape), "full", axes=axis)
    first = len(weights) // 2
    part = slice(first, first + values.shape[axis])
    return np.asarray(full[part] if axis == 0 else full[:, part])


def _smooth(values: Array, weights: tuple[Array, Array]) -> Array:
    return _along(_along(values, weights[0], 0), weights[1], 1)


def smooth(height_nm: Array, pixel_nm: tuple[float, float], nesting_nm: float) -> Array:
    """Smooth by the areal Gaussian; weights are renewed where data are missing or end.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    nesting_nm
        Nesting index, at least five pixels.

    Returns
    -------
    numpy.ndarray
        Long waves, NaN where the input is, same shape.

    Raises
    ------
    ValueError
        If the nesting index is below five pixels.
    """
    if nesting_nm < FINEST_PX * max(pixel_nm):
        raise ValueError(
            f"nesting_nm must be at least {FINEST_PX:g} pixels of {max(pixel_nm):g} nm, "
            f"got {nesting_nm}"
        )
    rows, cols = height_nm.shape
    weights = _weights(nesting_nm / pixel_nm[1], rows), _weights(nesting_nm / pixel_nm[0], cols)
    finite = np.isfinite(height_nm)
    total = _smooth(np.where(finite, height_nm, 0.0), weights)
    if finite.all():
        line = [
            np.convolve(np.ones(n), w)[len(w) // 2 : len(w) // 2 + n]
            for w, n in zip(weights, height_nm.shape, strict=True)
        ]
        return np.asarray(total / np.outer(line[0], line[1]))
    total /= np.maximum(_smooth(finite.astype(np.float64), weights), 1e-9)
    total[~finite] = np.nan
    return total


def filter_surface(
    height_nm: Array,
    pixel_nm: tuple[float, float],
    s_nm: float | None,
    l_nm: float | None,
) -> tuple[Array, tuple[str, ...]]:
    """Take short waves (S-filter) and long waves (L-filter) out of a surface.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    s_nm, l_nm
        Nesting indices; None: that filter is not applied.

    Returns
    -------
    tuple
        Filtered heights, same shape, and what was applied, as ``"S 40 nm"``; a filter finer than
        five pixels is not applied and not named.
    """
    done = []
    out = height_nm
    finest = FINEST_PX * max(pixel_nm)
    if s_nm is not None and s_nm >= finest:
        out = smooth(out, pixel_nm, s_nm)
        done.append(f"S {s_nm:g} nm")
    if l_nm is not None and l_nm >= finest:
        out = out - smooth(out, pixel_nm, l_nm)
        done.append(f"L {l_nm:g} nm")
    return out, tuple(done)
