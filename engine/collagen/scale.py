"""How texture depends on scale: Sq against the window, and the power spectral density."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from engine.collagen.material_ratio import MaterialRatio
from engine.collagen.strips import LARGE_PX, strips

Array = NDArray[np.float64]

_SMALLEST_PX = 16
_VALID_SHARE = 0.9
_BANDS = 36
_RAYS = 180
_SPREAD_DEG = 5.0  # the angular spectrum of one image is speckled: smoothed by this


@dataclass(frozen=True)
class SurfaceCurves:
    """Curves behind the texture parameters, of the filtered heights.

    Attributes
    ----------
    ratio_pct, height_nm
        Material ratio curve: share of the area at least this high, heights from the mean.
    window_nm, Sq_window_nm, windows
        Side of square windows, median of Sq over windows of that size, each about its own plane,
        and their number; shape (sizes,).
    psd_wavelength_nm, psd_nm4
        Radially averaged power spectral density, shape (bands,).
    """

    ratio_pct: Array = field(default_factory=lambda: np.zeros(0))
    height_nm: Array = field(default_factory=lambda: np.zeros(0))
    window_nm: Array = field(default_factory=lambda: np.zeros(0))
    Sq_window_nm: Array = field(default_factory=lambda: np.zeros(0))
    windows: Array = field(default_factory=lambda: np.zeros(0))
    psd_wavelength_nm: Array = field(default_factory=lambda: np.zeros(0))
    psd_nm4: Array = field(default_factory=lambda: np.zeros(0))


def surface_curves(
    height_nm: Array, pixel_nm: tuple[float, float], curve: MaterialRatio
) -> SurfaceCurves:
    """All curves of one surface.

    Parameters
    ----------
    height_nm
        Filtered heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    curve
        Its material ratio curve.

    Returns
    -------
    SurfaceCurves
        Parts that the image is too small for are empty.
    """
    window, spread, count = sq_against_window(height_nm, pixel_nm)
    wavelength, density = power_spectral_density(height_nm, pixel_nm)
    return SurfaceCurves(
        curve.ratio_pct, curve.height_nm, window, spread, count, wavelength, density
    )


def _plane_residual(z: Array, valid: NDArray[np.bool_]) -> Array:
    """RMS about its own least-squares plane of each window; z (windows, v, u)."""
    count, rows, cols = z.shape
    v, u = np.linspace(-1, 1, rows), np.linspace(-1, 1, cols)
    along = np.stack([np.ones(cols), u, u * u], axis=1)
    down = np.stack([np.ones(rows), v, v * v])
    # Terms separate into rows and columns, so that sums run along the rows first.
    weight, height = np.empty((count, rows, 3)), np.empty((count, rows, 2))
    square = np.empty(count)
    for k in range(count):
        weight[k] = valid[k] @ along
        filled = np.where(valid[k], z[k], 0.0)
        height[k] = filled @ along[:, :2]
        square[k] = np.vdot(filled, filled)
    w = np.einsum("pv,kvq->kpq", down, weight)  # sums of v^p u^q
    y = np.einsum("pv,kvq->kpq", down[:2], height)
    gram = np.empty((count, 3, 3))
    for i, (p, q) in enumerate(_TERMS):
        for j, (r, t) in enumerate(_TERMS):
            gram[:, i, j] = w[:, p + r, q + t]
    right = np.stack([y[:, p, q] for p, q in _TERMS], axis=1)
    solved = np.linalg.solve(gram, right[:, :, None])[:, :, 0]
    left = square - (solved * right).sum(axis=1)
    return np.sqrt(np.maximum(left, 0.0) / w[:, 0, 0])


_TERMS = ((0, 0), (0, 1), (1, 0))  # powers of v and u in a plane


def _windows(height_nm: Array, rows: int, cols: int) -> list[Array]:
    """Whole windows side by side, centred, one strip after the other so that memory stays small."""
    down, across = height_nm.shape[0] // rows, height_nm.shape[1] // cols
    top, left = (height_nm.shape[0] - down * rows) // 2, (height_nm.shape[1] - across * cols) // 2
    out = []
    for k in range(down):
        strip = height_nm[top + k * rows : top + (k + 1) * rows, left : left + across * cols]
        out.append(strip.reshape(rows, across, cols).transpose(1, 0, 2))
    return out


def sq_against_window(
    height_nm: Array, pixel_nm: tuple[float, float]
) -> tuple[Array, Array, Array]:
    """Root mean square height in square windows of several sizes, each about its own plane.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    tuple of numpy.ndarray
        Window side in nanometres, ascending; median of Sq over the windows of that size; number
        of windows. Windows with a tenth missing are left out. Shape (sizes,) each.
    """
    rows, cols = height_nm.shape
    longest = min(rows * pixel_nm[1], cols * pixel_nm[0])
    side = longest
    found: list[tuple[float, float, int]] = []
    while side >= _SMALLEST_PX * max(pixel_nm):
        shape = round(side / pixel_nm[1]), round(side / pixel_nm[0])
        values = []
        for z in _windows(height_nm, min(shape[0], rows), min(shape[1], cols)):
            valid = np.isfinite(z)
            keep = valid.mean(axis=(1, 2)) >= _VALID_SHARE
            if keep.all():
                values.append(_plane_residual(z, valid))
            elif keep.any():
                values.append(_plane_residual(z[keep], valid[keep]))
        each = np.concatenate(values) if values else np.zeros(0)
        if each.size:
            found.append((side, float(np.median(each)), each.size))
        side /= np.sqrt(2.0)
    table = np.array(found[::-1], dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _power(height_nm: Array, pixel_nm: tuple[float, float], padded: bool) -> Array:
    """Hann-windowed two-dimensional density, nm^4, zero frequency in the first element."""
    rows, cols = height_nm.shape
    down, along = np.hanning(rows + 2)[1:-1], np.hanning(cols + 2)[1:-1]
    known = np.isfinite(height_nm)
    z = np.where(known, height_nm, 0.0)
    weight = float(down @ (known @ along))
    z -= float(down @ (z @ along)) / weight
    z *= known
    square = float(down**2 @ (known @ along**2))
    del known
    z *= down[:, None]
    z *= along
    if z.size > LARGE_PX:
        z = z.astype(np.float32)
    size = [fft.next_fast_len((2 if padded else 1) * n, real=True) for n in (rows, cols)]
    spectrum = fft.rfft2(z, s=size, overwrite_x=True)
    del z
    power = spectrum.real**2
    power += spectrum.imag**2
    power *= pixel_nm[0] * pixel_nm[1] / square
    return np.asarray(power)


def power_spectral_density(height_nm: Array, pixel_nm: tuple[float, float]) -> tuple[Array, Array]:
    """Radially averaged two-dimensional power spectral density, Hann-windowed.

    Its integral over all (two-sided) frequencies is the mean square height.

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum (taken as the mean), shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    tuple of numpy.ndarray
        Wavelengths in nanometres, descending, and density in nm^4, shape (bands,) each; from half
        the window down to two of the coarser pixels. Empty where the image is too small.
    """
    none = np.zeros(0)
    rows, cols = height_nm.shape
    if min(rows, cols) < _SMALLEST_PX or not np.isfinite(height_nm).any():
        return none, none
    power = _power(height_nm, pixel_nm, padded=False)
    size_v = power.shape[0]
    size_u = fft.next_fast_len(cols, real=True)
    f_v, f_u = fft.fftfreq(size_v, pixel_nm[1]), fft.rfftfreq(size_u, pixel_nm[0])
    low = 2.0 / min(rows * pixel_nm[1], cols * pixel_nm[0])
    edges = np.geomspace(low, 0.5 / max(pixel_nm), _BANDS + 1)
    # Each column but the first (and the last of an even size) stands for two frequencies.
    twice = np.full(len(f_u), 2.0)
    twice[0] = 1.0
    if size_u % 2 == 0:
        twice[-1] = 1.0
    total = np.zeros((3, _BANDS))
    for _, _, at in strips(*power.shape):
        radius = np.hypot(f_v[at, None], f_u[None, :]).ravel()
        band = np.searchsorted(edges, radius, side="right") - 1
        inside = np.flatnonzero((band >= 0) & (band < _BANDS))
        w = np.broadcast_to(twice, power[at].shape).ravel()[inside]
        for k, value in enumerate((np.ones(1), power[at].ravel(), radius)):
            of = w * value[inside] if len(value) > 1 else w
            total[k] += np.bincount(band[inside], of, _BANDS)
    some = total[0] > 0
    return 1.0 / (total[2][some] / total[0][some]), total[1][some] / total[0][some]


def texture_direction(height_nm: Array, pixel_nm: tuple[float, float]) -> float:
    """Texture direction Std: where the lay runs, from the angular spectrum.

    The angular spectrum is the power integrated along rays from the origin (ISO 25178-2, from
    memory: the ray of spectral angle s stands for a lay at right angles to its waves).

    Parameters
    ----------
    height_nm
        Levelled heights, NaN where there is no datum (taken as the mean), shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    float
        Degrees [0, 180) from +u towards +v; NaN for flat or small images. Only meaningful where
        Str is well below one.
    """
    rows, cols = height_nm.shape
    if min(rows, cols) < _SMALLEST_PX or not np.isfinite(height_nm).any():
        return float("nan")
    power = fft.fftshift(_power(height_nm, pixel_nm, padded=True), axes=0)
    if not power.max() > 0:
        return float("nan")
    bin_v = 1.0 / (power.shape[0] * pixel_nm[1])
    bin_u = 0.5 / pixel_nm[0] / (power.shape[1] - 1)
    low = 2.0 / min(rows * pixel_nm[1], cols * pixel_nm[0])
    radius = np.arange(low, 0.5 / max(pixel_nm), min(bin_u, bin_v))
    angle = (np.arange(_RAYS) * 180.0 / _RAYS - 90.0) * np.pi / 180.0  # half plane f_u >= 0
    where = np.array(
        [
            power.shape[0] // 2 + np.outer(np.sin(angle), radius) / bin_v,
            np.outer(np.cos(angle), radius) / bin_u,
        ]
    )
    ray = ndimage.map_coordinates(power, where, order=1, mode="nearest")
    angular = ndimage.gaussian_filter1d(ray @ radius, _SPREAD_DEG * _RAYS / 180.0, mode="wrap")
    k = int(np.argmax(angular))
    a, b, c = angular[k - 1], angular[k], angular[(k + 1) % _RAYS]
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float((k + shift) * 180.0 / _RAYS) % 180.0  # -90 + 90: lay across its waves
