"""Heights along the long pieces, over arc length in space, ready to be searched for bands."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.profiles import _cubic
from engine.collagen.settings import CollagenSettings
from engine.collagen.traces import Traces

Array = NDArray[np.float64]


@numba.njit(cache=True)
def _sample_band(z, v, u, tv, tu, dv, du, half_width, lines, out):  # type: ignore[no-untyped-def]
    for i in range(len(v)):
        total = 0.0
        for k in range(lines):
            t = half_width * (2.0 * k / (lines - 1) - 1.0)
            total += _cubic(z, v[i] + t * tu[i] / dv, u[i] - t * tv[i] / du)
        out[i] = total / lines


@dataclass(frozen=True)
class BandProfile:
    """Heights along one piece.

    Attributes
    ----------
    piece
        Index of the piece.
    step_nm
        Even spacing along the fibril in space.
    height_nm
        Heights with the slow part taken off, shape (n,).
    path
        Row and column in pixels and the tangent's components down and along, shape (n,) each.
    """

    piece: int
    step_nm: float
    height_nm: Array
    path: tuple[Array, Array, Array, Array]

    @property
    def length_nm(self) -> float:
        """Length of the profile."""
        return self.step_nm * (len(self.height_nm) - 1)


def band_profiles(
    height_nm: Array,
    axis_nm: Array,
    traces: Traces,
    diameter_nm: Array,
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
) -> list[BandProfile]:
    """Take the profile of every piece long enough.

    Parameters
    ----------
    height_nm
        Levelled heights that were not eroded, without NaN, shape (rows, cols).
    axis_nm
        Smoothed height along the paths, shape (points,).
    traces
        Paths.
    diameter_nm
        Diameter of each piece, shape (pieces,).
    pixel_nm
        Spacing along u and v.
    settings
        ``band_piece_min_nm``, ``band_across_share``, ``band_highpass_nm``.

    Returns
    -------
    list of BandProfile
        In the order of the pieces.
    """
    step = 0.75 * min(pixel_nm)
    out = []
    long = np.flatnonzero(traces.length_nm > 0.8 * settings.band_piece_min_nm)
    for piece in long:
        part = slice(traces.start[piece], traces.start[piece + 1])
        rise = np.diff(axis_nm[part])
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(traces.arc_nm[part]), rise))])
        if arc[-1] < settings.band_piece_min_nm:
            continue
        at = np.arange(0.0, arc[-1], step)
        names = (traces.v_px, traces.u_px, traces.tangent_v, traces.tangent_u)
        v, u, tv, tu = (np.interp(at, arc, a[part]) for a in names)
        raw = np.empty(len(at))
        width = settings.band_across_share * diameter_nm[piece]
        _sample_band(height_nm, v, u, tv, tu, pixel_nm[1], pixel_nm[0], width, 5, raw)
        sigma = settings.band_highpass_nm / step
        raw -= ndimage.gaussian_filter1d(raw, sigma, mode="reflect")
        out.append(BandProfile(int(piece), step, raw, (v, u, tv, tu)))
    return out
