"""Axial banding: its period along the fibril in space, per piece and pooled, or no answer."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import special

from engine.collagen.band_marks import BandMarks, amplitudes, marks_of, mean_amplitude
from engine.collagen.band_profiles import band_profiles
from engine.collagen.profiles import axis_height
from engine.collagen.settings import CollagenSettings
from engine.collagen.spectrum import (
    FREQUENCIES_PER_NM,
    background,
    beside_the_band,
    highest_peak,
    periodogram,
    ratio_needed,
)
from engine.collagen.traces import Traces

Array = NDArray[np.float64]

_VIBRATION_PIECES = 8


@dataclass(frozen=True)
class Banding:
    """Axial banding of the fibrils of one image.

    Attributes
    ----------
    period_nm, period_se_nm
        Pooled period along the fibril in space and its standard error; NaN without an answer.
    fraction
        Share of the searched length whose piece shows bands by itself; NaN where pieces cannot be
        judged one by one.
    resolvable
        Whether the pixel is fine enough to tell.
    ratio, ratio_needed
        Pooled peak over background, and what was required of it.
    piece_period_nm, piece_snr
        Per piece; NaN where it was not searched, the period also where there is no band;
        shape (pieces,).
    wavelength_nm, power
        Pooled spectrum over its own background, long waves first, shape (frequencies,).
    example_arc_nm, example_height_nm
        Profile along the piece with the clearest bands, high-passed; empty without an answer.
    vibration
        Whether the period is steadier along the fast scan axis than along the fibrils, or a sharp
        line along that axis may have made it.
    amplitude_nm
        Amplitude of the bands as the tip shows them, half of crest to trough, over the pieces that
        show bands by themselves, weighted by length; NaN where there is none.
    piece_amplitude_nm
        Of each of these pieces, NaN for the others, shape (pieces,).
    marks
        Maxima of the bands along these pieces.
    scan_line_nm, scan_line_ratio
        Sharpest line in the spectrum along the fast scan axis, and its power over that of its
        neighbourhood; NaN and 0 where there is none.
    """

    period_nm: float
    period_se_nm: float
    fraction: float
    resolvable: bool
    ratio: float
    ratio_needed: float
    piece_period_nm: Array
    piece_snr: Array
    wavelength_nm: Array
    power: Array
    example_arc_nm: Array
    example_height_nm: Array
    vibration: bool
    amplitude_nm: float = float("nan")
    piece_amplitude_nm: Array = field(default_factory=lambda: np.zeros(0))
    marks: BandMarks = field(default_factory=BandMarks)
    scan_line_nm: float = float("nan")
    scan_line_ratio: float = 0.0


def no_banding(pieces: int, resolvable: bool) -> Banding:
    """No answer, for images that cannot give one.

    Parameters
    ----------
    pieces
        Number of pieces.
    resolvable
        Whether the pixel is fine enough to tell.

    Returns
    -------
    Banding
        NaN throughout.
    """
    nan, none = float("nan"), np.zeros(0)
    empty = np.full(pieces, np.nan)
    return Banding(
        nan, nan, nan, resolvable, nan, nan, empty, empty.copy(), none, none, none, none, False,
        piece_amplitude_nm=empty.copy(),
    )  # fmt: skip


def _cells(length_nm: float, settings: CollagenSettings) -> float:
    """Count the independent frequencies inside the band."""
    return max(1.0, length_nm * (1 / settings.band_low_nm - 1 / settings.band_high_nm))


def find_bands(
    height_nm: Array,
    axis_from_nm: Array,
    traces: Traces,
    diameter_nm: Array,
    pixel_nm: tuple[float, float],
    settings: CollagenSettings,
) -> Banding:
    """Search all long pieces for axial banding.

    Parameters
    ----------
    height_nm
        Levelled heights that were not eroded, without NaN, shape (rows, cols).
    axis_from_nm
        Heights that the slope of the axes is taken from, shape (rows, cols).
    traces
        Paths.
    diameter_nm
        Diameter of each piece, shape (pieces,).
    pixel_nm
        Spacing along u and v.
    settings
        The ``band_*`` fields.

    Returns
    -------
    Banding
        Pooled and per piece; without an answer where the pixel is too coarse, by its size alone:
        an alias of the band falls into the plausible range.
    """
    pieces = len(traces.length_nm)
    coarse = max(pixel_nm)
    if coarse > settings.band_pixel_max_nm:
        return no_banding(pieces, False)
    axis = axis_height(axis_from_nm, traces, settings.band_axis_smooth_nm)
    found = band_profiles(
        np.ascontiguousarray(height_nm), axis, traces, diameter_nm, pixel_nm, settings
    )
    if not found:
        return no_banding(pieces, True)
    length = np.array([p.length_nm for p in found])
    power = np.array([periodogram(p.height_nm, p.step_nm) for p in found])
    side = beside_the_band(coarse)
    pooled = length @ power / length.sum()
    effective = length.sum() ** 2 / np.sum(length**2)
    # The fit runs through mean logarithms, which lie below the logarithm of the mean.
    shape = background(pooled, side) * effective / np.exp(special.digamma(effective))
    ratio = pooled / shape
    needed = max(
        settings.band_ratio_min,
        ratio_needed(effective, _cells(float(length.mean()), settings), settings.band_false_alarm),
    )
    period, height = highest_peak(pooled, shape, settings.band_low_nm, settings.band_high_nm)
    singles = _single_pieces(power, shape, side, length, settings)
    own_period, own_snr = np.full(pieces, np.nan), np.full(pieces, np.nan)
    at = np.array([p.piece for p in found])
    judged = coarse <= settings.band_pixel_nm
    if judged:
        own_period[at], own_snr[at] = singles
    answered = bool(np.isfinite(period) and height >= needed)
    banded = np.isfinite(singles[0])
    best = found[int(np.argmax(np.where(banded, singles[1] * length, -1)))]
    spread = _standard_error(singles[0], length, period, height, effective)
    shown = answered and judged
    size = amplitudes(found, singles[0] if shown else np.full(len(found), np.nan), pieces)
    return Banding(
        period_nm=period if answered else float("nan"),
        period_se_nm=spread if answered else float("nan"),
        fraction=float(length[banded].sum() / length.sum()) if judged else float("nan"),
        resolvable=True,
        ratio=height,
        ratio_needed=needed,
        piece_period_nm=own_period,
        piece_snr=own_snr,
        wavelength_nm=1.0 / FREQUENCIES_PER_NM,
        power=ratio,
        example_arc_nm=np.arange(float(len(best.height_nm))) * best.step_nm
        if answered
        else np.zeros(0),
        example_height_nm=best.height_nm if answered else np.zeros(0),
        vibration=answered and _is_vibration(singles[0], at, traces),
        amplitude_nm=mean_amplitude(size[at], length),
        piece_amplitude_nm=size,
        marks=marks_of(found, singles[0], diameter_nm, height_nm.shape, pixel_nm)
        if shown
        else BandMarks(),
    )


def _single_pieces(
    power: Array,
    shape: Array,
    side: NDArray[np.bool_],
    length: Array,
    settings: CollagenSettings,
) -> tuple[Array, Array]:
    period, snr = np.full(len(power), np.nan), np.full(len(power), np.nan)
    for i, one in enumerate(power):
        relative = one / shape
        own = np.median(relative[side]) / np.log(2.0)  # median to mean of an exponential
        wave, height = highest_peak(one, own * shape, settings.band_low_nm, settings.band_high_nm)
        snr[i] = height
        needed = ratio_needed(1.0, _cells(length[i], settings), settings.band_false_alarm)
        period[i] = wave if height >= needed else np.nan
    return period, snr


def _standard_error(
    periods: Array, length: Array, pooled: float, ratio: float, effective: float
) -> float:
    found = np.isfinite(periods)
    if np.count_nonzero(found) >= 5:
        w = length[found] / length[found].sum()
        mean = w @ periods[found]
        return float(np.sqrt(w @ (periods[found] - mean) ** 2 * np.sum(w**2)))
    # Cramér-Rao bound of one tone's frequency in white noise, over the pieces that were pooled.
    span = float(length.mean())
    return float(pooled**2 * np.sqrt(6.0) / (np.pi * span * np.sqrt(2.0 * ratio * effective)))


def _is_vibration(periods: Array, at: NDArray[np.int64], traces: Traces) -> bool:
    """Ask along which axis the periods of the pieces agree better: fast scan, or the fibril."""
    found = np.isfinite(periods)
    if np.count_nonzero(found) < _VIBRATION_PIECES:
        return False
    along = 1.0 / periods[found]
    parts = [slice(traces.start[p], traces.start[p + 1]) for p in at[found]]
    fast = np.array([np.mean(np.abs(traces.tangent_u[part])) for part in parts])
    projected = along / np.maximum(fast, 0.05)

    def scatter(x: Array) -> float:
        return float(np.median(np.abs(x / np.median(x) - 1.0)))

    return scatter(projected) < 0.5 * scatter(along)
