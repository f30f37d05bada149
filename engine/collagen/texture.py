"""Areal surface texture after ISO 25178-2 (definitions; clause numbers are not relied on)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from engine.collagen.material_ratio import MaterialRatio, material_ratio
from engine.collagen.scale import texture_direction
from engine.collagen.settings import CollagenSettings
from engine.collagen.strips import LARGE_PX, strips

Array = NDArray[np.float64]

# Seven-point derivative, exact to sixth order; value from memory of the standard's gradient rule.
_STENCIL = np.array([-1.0, 9.0, -45.0, 0.0, 45.0, -9.0, 1.0]) / 60.0
_RAYS = 180


@dataclass(frozen=True)
class TextureResult:
    """Areal texture parameters of one levelled image; NaN where one could not be had.

    Attributes
    ----------
    Sa_nm, Sq_nm
        Arithmetic mean and root mean square height.
    Sz_nm
        Maximum height, highest point minus lowest.
    Ssk, Sku
        Skewness and kurtosis of the heights (Gaussian: 0 and 3).
    Sdq
        Root mean square gradient, dimensionless.
    Sdr_pct
        Developed interfacial area ratio, percent.
    Sal_nm
        Autocorrelation length: shortest distance at which the autocorrelation falls to the
        threshold.
    Str
        Texture aspect ratio: shortest over longest such distance, 0 to 1.
    Sq_plane_nm
        Root mean square height after removal of the least-squares plane alone, unfiltered.
    Sp_nm, Sv_nm
        Height of the highest point above, depth of the lowest below the mean.
    Std_deg
        Texture direction: where the lay runs, [0, 180) from +u towards +v.
    Sk_nm, Spk_nm, Svk_nm, Smr1_pct, Smr2_pct
        Core height, reduced peak height and valley depth, material ratios at the core's ends.
    """

    Sa_nm: float
    Sq_nm: float
    Sz_nm: float
    Ssk: float
    Sku: float
    Sdq: float
    Sdr_pct: float
    Sal_nm: float
    Str: float
    Sq_plane_nm: float
    Sp_nm: float = float("nan")
    Sv_nm: float = float("nan")
    Std_deg: float = float("nan")
    Sk_nm: float = float("nan")
    Spk_nm: float = float("nan")
    Svk_nm: float = float("nan")
    Smr1_pct: float = float("nan")
    Smr2_pct: float = float("nan")


_HEIGHTS = ("Sa_nm", "Sq_nm", "Sz_nm", "Sp_nm", "Sv_nm", "Ssk", "Sku")


def height_parameters(height_nm: Array) -> dict[str, float]:
    """Height parameters about the mean of the valid points.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, any shape.

    Returns
    -------
    dict
        ``Sa_nm, Sq_nm, Sz_nm, Sp_nm, Sv_nm, Ssk, Sku``; NaN without data, skewness and kurtosis
        NaN when flat.
    """
    z = height_nm[np.isfinite(height_nm)]
    if not z.size:
        return dict.fromkeys(_HEIGHTS, float("nan"))
    z -= z.mean()
    square = z * z
    variance = float(square.mean())
    flat = variance == 0
    third, fourth = float(np.vdot(square, z)) / z.size, float(np.vdot(square, square)) / z.size
    del square
    return {
        "Sa_nm": float(np.abs(z).mean()),
        "Sq_nm": variance**0.5,
        "Sz_nm": float(z.max() - z.min()),
        "Sp_nm": float(z.max()),
        "Sv_nm": float(-z.min()),
        "Ssk": float("nan") if flat else third / variance**1.5,
        "Sku": float("nan") if flat else fourth / variance**2,
    }


def _derivative(height_nm: Array, pixel_nm: float, axis: int) -> Array:
    if height_nm.shape[axis] < len(_STENCIL):
        return np.full_like(height_nm, np.nan)
    out = ndimage.correlate1d(height_nm, _STENCIL / pixel_nm, axis=axis, mode="nearest")
    edge = np.moveaxis(out, axis, 0)
    edge[:3] = np.nan
    edge[-3:] = np.nan
    return out


def hybrid_parameters(height_nm: Array, pixel_nm: tuple[float, float]) -> dict[str, float]:
    """Root mean square gradient and developed area, where all points of the stencil are valid.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols), seven each way at least.
    pixel_nm
        Spacing along u (columns) and v (rows).

    Returns
    -------
    dict
        ``Sdq`` (dimensionless) and ``Sdr_pct``.
    """
    sums, count = np.zeros(2), 0
    for read, inner, _ in strips(height_nm.shape[0], height_nm.shape[1], 3):
        z = height_nm[read]
        square = _derivative(z, pixel_nm[0], 1)[inner] ** 2
        slope_v = _derivative(z, pixel_nm[1], 0)[inner]
        square += slope_v**2
        square = square[np.isfinite(square)]
        sums += square.sum(), (np.sqrt(1.0 + square) - 1.0).sum()
        count += square.size
    if not count:
        return {"Sdq": float("nan"), "Sdr_pct": float("nan")}
    return {"Sdq": float(np.sqrt(sums[0] / count)), "Sdr_pct": 100.0 * float(sums[1] / count)}


def autocorrelation(height_nm: Array) -> Array:
    """Areal autocorrelation, zero-padded and corrected for the overlap, for lags up to half.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).

    Returns
    -------
    numpy.ndarray
        Autocorrelation, 1 in the middle, shape (2 * (rows // 2) + 1, 2 * (cols // 2) + 1).
    """
    finite = np.isfinite(height_nm)
    rows, cols = height_nm.shape
    z = np.where(finite, height_nm - height_nm[finite].mean(), 0.0)
    if z.size > LARGE_PX:
        z = z.astype(np.float32)
    size = [fft.next_fast_len(n + n // 2, real=True) for n in (rows, cols)]

    def correlate(a: Array) -> Array:
        spectrum = fft.rfft2(a, s=size)
        spectrum *= spectrum.conj()
        full = fft.irfft2(spectrum, s=size, overwrite_x=True)
        take_v = np.arange(-(rows // 2), rows // 2 + 1)
        take_u = np.arange(-(cols // 2), cols // 2 + 1)
        return np.asarray(full[np.ix_(take_v, take_u)])

    if finite.all():
        lag_v = rows - np.abs(np.arange(-(rows // 2), rows // 2 + 1))
        lag_u = cols - np.abs(np.arange(-(cols // 2), cols // 2 + 1))
        out = correlate(z)
        out /= lag_v[:, None]
        out /= lag_u
    else:
        overlap = np.maximum(correlate(finite.astype(z.dtype)), 0.5)
        out = correlate(z)
        out /= overlap
    peak = out[rows // 2, cols // 2]
    return out / peak if peak > 0 else np.full_like(out, np.nan)


def spatial_parameters(
    height_nm: Array, pixel_nm: tuple[float, float], threshold: float = 0.2
) -> dict[str, float]:
    """Autocorrelation length and texture aspect ratio from the central lobe.

    Parameters
    ----------
    height_nm
        Heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    threshold
        Autocorrelation at which the lobe ends.

    Returns
    -------
    dict
        ``Sal_nm`` and ``Str``. ``Str`` is NaN where the lobe reaches the longest usable lag (half
        the window) in some direction, ``Sal_nm`` where it does so in all.
    """
    nothing = {"Sal_nm": float("nan"), "Str": float("nan")}
    if min(height_nm.shape) < 3 or not np.isfinite(height_nm).any():
        return nothing
    distance = _lobe_radius(autocorrelation(height_nm), pixel_nm, threshold)
    if not np.isfinite(distance).any():
        return nothing
    shortest = float(np.nanmin(distance))
    whole = bool(np.isfinite(distance).all())
    return {
        "Sal_nm": shortest,
        "Str": shortest / float(distance.max()) if whole else float("nan"),
    }


def _lobe_radius(acf: Array, pixel_nm: tuple[float, float], threshold: float) -> Array:
    """Distance to the first crossing of the threshold along rays, NaN where there is none."""
    mid_v, mid_u = acf.shape[0] // 2, acf.shape[1] // 2
    angle = np.arange(_RAYS) * np.pi / _RAYS
    step = 0.5 * min(pixel_nm)
    reach = min(mid_u * pixel_nm[0], mid_v * pixel_nm[1])
    along = np.arange(0.0, reach + step / 2, step)
    where = np.array(
        [
            mid_v + np.sin(angle)[:, None] * along / pixel_nm[1],
            mid_u + np.cos(angle)[:, None] * along / pixel_nm[0],
        ]
    )
    # Cubic: a linear one would shorten Sal by the curvature of the lobe.
    ray = ndimage.map_coordinates(acf, where, order=3, mode="nearest")
    below = ray <= threshold
    first = below.argmax(axis=1)
    found = below.any(axis=1) & (first > 0)
    before = np.maximum(first - 1, 0)
    pick = np.arange(_RAYS)
    high, low = ray[pick, before], ray[pick, first]
    share = (high - threshold) / np.where(found, high - low, 1.0)
    return np.where(found, (before + share) * step, np.nan)


def texture(
    height_nm: Array,
    pixel_nm: tuple[float, float],
    Sq_plane_nm: float,
    settings: CollagenSettings,
    curve: MaterialRatio | None = None,
) -> TextureResult:
    """All texture parameters of a levelled image.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    Sq_plane_nm
        Root mean square height after the plane alone, carried into the result.
    settings
        ``acf_threshold``.
    curve
        Material ratio curve of the same heights; computed where it is not given.

    Returns
    -------
    TextureResult
        Numbers compare only between images of the same window, pixel, levelling and filters.
    """
    curve = material_ratio(height_nm) if curve is None else curve
    return TextureResult(
        **height_parameters(height_nm),
        **hybrid_parameters(height_nm, pixel_nm),
        **spatial_parameters(height_nm, pixel_nm, settings.acf_threshold),
        Sq_plane_nm=Sq_plane_nm,
        Std_deg=texture_direction(height_nm, pixel_nm),
        Sk_nm=curve.Sk_nm,
        Spk_nm=curve.Spk_nm,
        Svk_nm=curve.Svk_nm,
        Smr1_pct=curve.Smr1_pct,
        Smr2_pct=curve.Smr2_pct,
    )
