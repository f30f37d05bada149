"""Where along a fibril its bands lie: amplitude and phase at a known period."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.band_profiles import BandProfile

Array = NDArray[np.float64]

_REACH_PERIODS = 1.0  # standard deviation of the window over which phase and amplitude are taken
_LEAST_SHARE = 0.4  # of the piece's own amplitude: weaker stretches are left without marks


@dataclass(frozen=True)
class BandMarks:
    """Maxima of the bands along the fibrils that show bands by themselves; shape (marks,) each.

    Attributes
    ----------
    u_nm, v_nm
        Position on the traced path, from the image's centre.
    piece
        Index of the piece it lies on.
    across_u, across_v
        Unit vector across the fibril: a mark is drawn along it.
    width_nm
        Thickness of the fibril there.
    amplitude_nm
        Local amplitude of the bands, half of crest to trough.
    """

    u_nm: Array = field(default_factory=lambda: np.zeros(0))
    v_nm: Array = field(default_factory=lambda: np.zeros(0))
    piece: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    across_u: Array = field(default_factory=lambda: np.zeros(0))
    across_v: Array = field(default_factory=lambda: np.zeros(0))
    width_nm: Array = field(default_factory=lambda: np.zeros(0))
    amplitude_nm: Array = field(default_factory=lambda: np.zeros(0))


def amplitude_of(height_nm: Array, step_nm: float, period_nm: float) -> float:
    """Amplitude of a wave of known period in an evenly spaced profile.

    Parameters
    ----------
    height_nm
        Heights with the slow part taken off, shape (n,).
    step_nm
        Their spacing.
    period_nm
        The wave's period.

    Returns
    -------
    float
        Least-squares amplitude, half of crest to trough; noise adds to it in quadrature.
    """
    phase = 2.0 * np.pi * step_nm / period_nm * np.arange(len(height_nm))
    design = np.column_stack([np.cos(phase), np.sin(phase), np.ones(len(phase))])
    weight, *_ = np.linalg.lstsq(design, height_nm, rcond=None)
    return float(np.hypot(weight[0], weight[1]))


def local_wave(
    height_nm: Array, step_nm: float, period_nm: float
) -> tuple[Array, NDArray[np.complex128]]:
    """Demodulate a profile at a known period.

    Parameters
    ----------
    height_nm
        Heights with the slow part taken off, shape (n,).
    step_nm
        Their spacing.
    period_nm
        The wave's period; the window is a Gaussian of one period.

    Returns
    -------
    tuple
        Phase in radians, unwrapped, growing by 2 pi a band, maxima at its multiples, and the
        complex local amplitude, shape (n,) each.
    """
    carrier = 2.0 * np.pi * step_nm / period_nm * np.arange(len(height_nm))
    product = height_nm * np.exp(-1j * carrier)
    sigma = _REACH_PERIODS * period_nm / step_nm

    def smooth(x: Array) -> Array:
        return np.asarray(ndimage.gaussian_filter1d(x, sigma, mode="constant"))

    wave = 2.0 * (smooth(product.real) + 1j * smooth(product.imag))
    wave /= np.maximum(smooth(np.ones(len(height_nm))), 1e-9)
    return carrier + np.unwrap(np.angle(wave)), np.asarray(wave, dtype=np.complex128)


def maxima(height_nm: Array, step_nm: float, period_nm: float) -> tuple[Array, Array]:
    """Places of the bands' maxima along a profile.

    Parameters
    ----------
    height_nm
        Heights with the slow part taken off, shape (n,).
    step_nm
        Their spacing.
    period_nm
        The bands' period.

    Returns
    -------
    tuple of numpy.ndarray
        Distance from the first point and local amplitude of each maximum, shape (maxima,); only
        where the local amplitude is not far below that of the whole profile.
    """
    phase, wave = local_wave(height_nm, step_nm, period_nm)
    turns = phase / (2.0 * np.pi)
    before = np.floor(turns[:-1])
    passed = np.flatnonzero((np.floor(turns[1:]) > before) & (np.diff(turns) < 0.5))
    share = (before[passed] + 1.0 - turns[passed]) / (turns[passed + 1] - turns[passed])
    size = np.abs(wave)[passed]
    kept = size >= _LEAST_SHARE * amplitude_of(height_nm, step_nm, period_nm)
    return ((passed + share) * step_nm)[kept], size[kept]


def amplitudes(found: list[BandProfile], period_nm: Array, pieces: int) -> Array:
    """Amplitude of the bands of each piece that shows them.

    Parameters
    ----------
    found
        Profiles.
    period_nm
        Period of each, NaN where there is none, shape (profiles,).
    pieces
        Number of all pieces.

    Returns
    -------
    numpy.ndarray
        Shape (pieces,), NaN where there is none.
    """
    out = np.full(pieces, np.nan)
    for p, period in zip(found, period_nm, strict=True):
        if np.isfinite(period):
            out[p.piece] = amplitude_of(p.height_nm, p.step_nm, float(period))
    return out


def mean_amplitude(size: Array, length: Array) -> float:
    """Mean amplitude of pieces weighted by their length; NaN where there is none."""
    some = np.isfinite(size)
    return float(np.average(size[some], weights=length[some])) if some.any() else float("nan")


def marks_of(
    found: list[BandProfile],
    period_nm: Array,
    diameter_nm: Array,
    shape: tuple[int, ...],
    pixel_nm: tuple[float, float],
) -> BandMarks:
    """Maxima of the bands along every piece that shows them, in the image's plane.

    Parameters
    ----------
    found
        Profiles.
    period_nm
        Period of each, NaN where there is none, shape (profiles,).
    diameter_nm
        Diameter of each piece, shape (pieces,).
    shape
        Rows and columns of the image.
    pixel_nm
        Spacing along u and v.

    Returns
    -------
    BandMarks
        Empty where no piece shows bands.
    """
    parts = []
    for p, period in zip(found, period_nm, strict=True):
        if not np.isfinite(period):
            continue
        at, size = maxima(p.height_nm, p.step_nm, float(period))
        arc = np.arange(len(p.height_nm)) * p.step_nm
        v, u, tv, tu = (np.interp(at, arc, a) for a in p.path)
        norm = np.maximum(np.hypot(tu, tv), 1e-9)
        piece, width = np.full(len(at), p.piece), np.full(len(at), diameter_nm[p.piece])
        parts.append((u, v, piece, -tv / norm, tu / norm, width, size))
    if not parts:
        return BandMarks()
    u, v, piece, across_u, across_v, width, size = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return BandMarks(
        (u + 0.5 - 0.5 * shape[1]) * pixel_nm[0],
        (v + 0.5 - 0.5 * shape[0]) * pixel_nm[1],
        piece.astype(np.int64),
        across_u,
        across_v,
        width,
        size,
    )
