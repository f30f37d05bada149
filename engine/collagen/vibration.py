"""A vibration in the picture: a sharp line along the fast scan axis that bands would not give."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

Array = NDArray[np.float64]

_LONGEST_NM = 120.0
_SHORTEST_PX = 2.5
_LINE_RATIO = 2.5
_POINT_RATIO = 40.0  # at most 24 on 48 invented networks with bands
_NEIGHBOURHOOD = 15  # bins either way that the background is taken from
_LINE_BINS = 3  # of a Hann window on either side of a line
_ROWS_AT_MOST = 1024
_ALONG_DEG = 15.0
_ALIKE = 0.06


@dataclass(frozen=True)
class ScanLine:
    """A wave of one length along the fast scan axis.

    Attributes
    ----------
    wave_nm
        Its length along the rows; NaN where there is none.
    down_per_nm
        Its frequency down the rows where it moves on evenly; NaN where its phase jumps.
    ratio
        Its power over that of its neighbourhood.
    """

    wave_nm: float = float("nan")
    down_per_nm: float = float("nan")
    ratio: float = 0.0


def scan_line(height_nm: Array, pixel_nm: tuple[float, float]) -> ScanLine:
    """Find the sharpest line in the spectrum along the fast scan axis.

    A vibration has one frequency and so one wavelength along every row, to within the resolution
    of a row. Bands of fibrils have one along each fibril: along the rows they are spread by the
    fibrils' directions and slopes.

    Parameters
    ----------
    height_nm
        Levelled heights without NaN, shape (rows, cols).
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    ScanLine
        NaN where the rows are too short or no line is sharp.
    """
    pixel_u_nm = pixel_nm[0]
    rows, cols = height_nm.shape
    if cols * pixel_u_nm < 8.0 * _LONGEST_NM or rows < 16:
        return ScanLine()
    z = height_nm[:_ROWS_AT_MOST]
    # From row to row relief goes on; the phase of a vibration jumps or moves on evenly.
    even = _point(z, pixel_nm)
    if even is not None:
        return even
    wave, ratio = _sharpest(np.diff(z, 2, axis=0), pixel_u_nm)
    return ScanLine(wave, float("nan"), ratio)


def _point(z: Array, pixel_nm: tuple[float, float]) -> ScanLine | None:
    """Find the point in the plane of frequencies that stands highest out of its neighbourhood."""
    rows, cols = z.shape
    window = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(cols + 2)[1:-1])
    power = np.abs(fft.rfft2((z - z.mean()) * window)) ** 2
    size = (2 * _NEIGHBOURHOOD + 1, 2 * _NEIGHBOURHOOD + 1)
    core = (2 * _LINE_BINS + 1, 2 * _LINE_BINS + 1)
    many, few = float(np.prod(size)), float(np.prod(core))
    around = many * ndimage.uniform_filter(power, size, mode="wrap")
    around -= few * ndimage.uniform_filter(power, core, mode="wrap")
    around /= many - few
    ratio = power / np.maximum(around, 1e-12 * power.max() + 1e-30)
    f_u, f_v = fft.rfftfreq(cols, pixel_nm[0]), fft.fftfreq(rows, pixel_nm[1])
    ratio[:, (f_u <= 1.0 / _LONGEST_NM) | (f_u >= 1.0 / (_SHORTEST_PX * pixel_nm[0]))] = 0.0
    j, k = np.unravel_index(int(np.argmax(ratio)), ratio.shape)
    if ratio[j, k] <= _POINT_RATIO:
        return None
    return ScanLine(1.0 / float(f_u[k]), float(f_v[j]), float(ratio[j, k]))


def _sharpest(z: Array, pixel_u_nm: float) -> tuple[float, float]:
    cols = z.shape[1]
    z = z - ndimage.gaussian_filter1d(z, 60.0 / pixel_u_nm, axis=1, mode="nearest")
    power = (np.abs(fft.rfft(z * np.hanning(cols + 2)[1:-1], axis=1)) ** 2).mean(axis=0)
    frequency = fft.rfftfreq(cols, pixel_u_nm)
    wide = ndimage.median_filter(power, 2 * _NEIGHBOURHOOD + 1, mode="nearest")
    ratio = power / np.maximum(wide, 1e-30)
    inside = (frequency > 1.0 / _LONGEST_NM) & (frequency < 1.0 / (_SHORTEST_PX * pixel_u_nm))
    if not inside.any():
        return float("nan"), 0.0
    k = int(np.argmax(np.where(inside, ratio, 0.0)))
    beside = ratio[[max(k - _LINE_BINS, 0), min(k + _LINE_BINS, len(ratio) - 1)]]
    sharp = ratio[k] > _LINE_RATIO and beside.max() < 0.5 * ratio[k]
    return (1.0 / float(frequency[k]), float(ratio[k])) if sharp else (float("nan"), 0.0)


def are_bands(line: ScanLine, period_nm: float, director_deg: float) -> bool:
    """Tell whether a wave found in the plane is that of bands in step on parallel fibrils.

    Parameters
    ----------
    line
        From :func:`scan_line`.
    period_nm, director_deg
        Period along the fibrils and their director; NaN where there is none.

    Returns
    -------
    bool
        True where the wave, or one of its first two overtones, runs along the fibrils with their
        period.
    """
    wave = np.array([1.0 / line.wave_nm, line.down_per_nm])
    turns = float(np.hypot(*wave)) * period_nm
    off = np.degrees(np.arctan2(wave[1], wave[0])) - director_deg
    along = abs((off + 90.0) % 180.0 - 90.0) < _ALONG_DEG
    return bool(along and min(abs(turns / k - 1.0) for k in (1, 2, 3)) < _ALIKE)
