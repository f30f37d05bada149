"""Faults of the scan: spikes, scars and lost rows are found, masked and counted."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.levelling import row_jitter
from engine.collagen.polynomial import subtract_polynomial
from engine.collagen.settings import CollagenSettings
from engine.collagen.strips import LARGE_PX

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_EIGHT = np.ones((3, 3), dtype=bool)
_RING = np.pad(np.zeros((3, 3), dtype=bool), 1, constant_values=True)
_SCAR_WIDEST_NM = 30.0  # coarser rows: a fibril along them would look the same
_SIGMA_PER_MAD = 1.4826


@dataclass(frozen=True)
class ScanFaults:
    """What was masked before anything was measured.

    Attributes
    ----------
    spikes
        Number of spikes: a few pixels that stand out of their surroundings.
    scars
        Number of scars: stretches of one or two rows that lie above or below both neighbours.
    lost_rows
        Rows without a datum, of one single value, or that repeat the row before them.
    masked_share
        Share of the pixels that had a datum and were masked.
    """

    spikes: int = 0
    scars: int = 0
    lost_rows: int = 0
    masked_share: float = 0.0


def lost_rows(height_nm: Array) -> Mask:
    """Tell rows that hold no measurement.

    Parameters
    ----------
    height_nm
        Heights as measured, NaN where there is no datum, shape (rows, cols).

    Returns
    -------
    numpy.ndarray
        Boolean, shape (rows,): all NaN, all one value, or the same as the row before. An image
        whose rows are all so has lost none: it is flat, or does not change down the rows.
    """
    finite = np.isfinite(height_nm)
    empty: Mask = np.asarray(~finite.any(axis=1))
    filled = np.where(finite, height_nm, 0.0)
    level: Mask = np.asarray(filled.max(axis=1) == filled.min(axis=1))
    repeated = np.zeros(len(height_nm), bool)
    same = np.asarray((filled[1:] == filled[:-1]).all(axis=1))
    repeated[1:] = same & ~empty[1:]
    if height_nm.shape[1] < 3 or np.mean(level | repeated) > 0.5:
        return empty
    return np.asarray(empty | level | repeated)


def _scale(values: Array) -> float:
    if values.size > LARGE_PX:  # a tenth of the rows tell as much
        values = values[:: max(1, values.size // LARGE_PX)]
    finite = values[np.isfinite(values)]
    if not finite.size:
        return 0.0
    robust = _SIGMA_PER_MAD * float(np.median(np.abs(finite - np.median(finite))))
    # A fibril on flat ground: most steps are nothing, and all others would stand out.
    return max(robust, 0.3 * float(finite.std()))


def _spikes(z: Array, settings: CollagenSettings) -> tuple[Mask, int]:
    """Find groups within three by three pixels that top, or lie below, all of the ring outside."""
    limit = settings.spike_ratio * _scale(np.diff(z, axis=1))
    limit = max(limit, 1e-9)
    spike = np.asarray(z - ndimage.maximum_filter(z, footprint=_RING, mode="nearest") > limit)
    spike |= ndimage.minimum_filter(z, footprint=_RING, mode="nearest") - z > limit
    return spike, int(ndimage.label(spike, _EIGHT)[1])


def _scars(z: Array, pixel_v_nm: float, settings: CollagenSettings) -> tuple[Mask, int]:
    """Find stretches along the fast axis that step off the rows above and below alike."""
    found = np.zeros(z.shape, bool)
    step = np.diff(z, axis=0)
    limit = settings.scar_ratio * _scale(step)
    rows = min(2, int(_SCAR_WIDEST_NM / pixel_v_nm))
    if limit == 0.0 or len(z) < 5 or rows < 1:
        return found, 0
    shortest = max(5, int(settings.scar_min_px))
    run = np.ones((1, shortest), bool)
    for thick in range(1, rows + 1):
        # Rows r .. r + thick - 1 against the rows before and after them, by the smaller step.
        rise, fall = step[: len(step) - thick], -step[thick:]
        for sign in (1.0, -1.0):
            both = np.minimum(sign * rise, sign * fall) > limit
            long = ndimage.binary_opening(both, run)
            for k in range(thick):
                found[1 + k : 1 + k + len(long)] |= long
    # Where the relief is as steep as the scar's step, it is not seen for a few pixels.
    found |= ndimage.binary_closing(found, np.ones((1, shortest // 2), bool))
    count = int(ndimage.label(found, _EIGHT)[1])
    return found, count


def find_faults(
    height_nm: Array, pixel_nm: tuple[float, float], settings: CollagenSettings
) -> tuple[Mask, ScanFaults]:
    """Find what the scan has spoilt.

    Parameters
    ----------
    height_nm
        Heights as measured, NaN where there is no datum, shape (rows, cols).
    pixel_nm
        Spacing along u and v.
    settings
        ``mask_faults``, ``spike_ratio``, ``scar_ratio``, ``scar_min_px``.

    Returns
    -------
    tuple
        What is to be masked, boolean, shape (rows, cols), and the count of it. Offsets of whole
        rows are no fault here: levelling takes them out.
    """
    nothing = np.zeros(height_nm.shape, bool)
    finite = np.isfinite(height_nm)
    if not settings.mask_faults or min(height_nm.shape) < 8 or not finite.any():
        return nothing, ScanFaults(lost_rows=int((~finite.any(axis=1)).sum()))
    lost = lost_rows(height_nm)
    kept = np.where(lost[:, None], np.nan, height_nm) if lost.any() else height_nm
    if not np.isfinite(kept).any():
        return nothing, ScanFaults(lost_rows=int(lost.sum()))
    even = subtract_polynomial(kept, 1)
    even -= row_jitter(even, settings.jitter_rows)[:, None]
    del kept
    if even.size > LARGE_PX:
        even = even.astype(np.float32)
    missing = ~np.isfinite(even)
    if missing.any():
        near = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
        even = even[tuple(near)]
    spiky, spikes = _spikes(even, settings)
    scarred, scars = _scars(even, pixel_nm[1], settings)
    mask = (spiky | scarred | lost[:, None]) & finite
    share = float(mask.sum() / finite.sum())
    return mask, ScanFaults(spikes, scars, int(lost.sum()), share)
