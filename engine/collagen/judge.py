"""Which flags a result has earned."""

import numpy as np
from numpy.typing import NDArray

from engine.collagen.areal_filter import FINEST_PX
from engine.collagen.flags import FLAGS
from engine.collagen.network import weighted_quantile
from engine.collagen.plausible import upside_down, wrong_unit
from engine.collagen.results import NetworkAnalysis
from engine.collagen.ridges import fill_missing
from engine.collagen.settings import CollagenSettings
from engine.collagen.tip import ImageTip

_LOOKED_AT = 1024  # pixels across in the middle of a large image: they tell as much as all
SMALLEST_PX = 16
"""Pixels across below which nothing is traced."""


def nothing_there(height_nm: NDArray[np.float64], valid: NDArray[np.bool_]) -> str:
    """Name of the flag of an image that holds nothing to measure, else an empty string.

    Parameters
    ----------
    height_nm
        Heights, shape (rows, cols).
    valid
        Where there is a datum, same shape.

    Returns
    -------
    str
        ``all_nan``, ``constant`` or an empty string.
    """
    if not valid.any():
        return "all_nan"
    return "constant" if float(np.ptp(height_nm[valid])) == 0.0 else ""


def flags_of(
    result: NetworkAnalysis,
    empty: str,
    valid: NDArray[np.bool_],
    pixel: tuple[float, float],
    tip: ImageTip | None,
    settings: CollagenSettings,
) -> tuple[str, ...]:
    """Name the flags that a result has earned.

    Parameters
    ----------
    result
        The result, its own flags still empty.
    empty
        ``all_nan``, ``constant`` or nothing, from :func:`nothing_there`.
    valid
        Where there is a datum, shape (rows, cols).
    pixel
        Spacing along u and v, nanometres.
    tip
        The probe.
    settings
        The limits.

    Returns
    -------
    tuple of str
        Names in the order of ``FLAGS``.
    """
    raised = {empty} | _surface_flags(result, valid, pixel) | _fibril_flags(result, pixel, settings)
    raised |= _band_flags(result, pixel, settings) | _input_flags(result, empty, pixel, settings)
    raised |= _tip_flags(result, tip, settings)
    return tuple(flag.name for flag in FLAGS if flag.name in raised)


def _surface_flags(
    result: NetworkAnalysis, valid: NDArray[np.bool_], pixel: tuple[float, float]
) -> set[str]:
    rows, cols = valid.shape
    surface = result.texture
    window = min(rows * pixel[1], cols * pixel[0])
    checks = {
        "one_row": min(rows, cols) < SMALLEST_PX,
        "missing_data": float(valid.mean()) < 0.99,
        "strong_row_jitter": result.jitter_share > 0.01,
        "few_waves": surface.Sal_nm > window / 5.0,
        "lobe_at_edge": surface.Sq_nm > 0 and not np.isfinite(surface.Str),
    }
    return {name for name, raised in checks.items() if raised}


def _fibril_flags(
    result: NetworkAnalysis, pixel: tuple[float, float], settings: CollagenSettings
) -> set[str]:
    thickness = result.thickness
    width = thickness.p95_ci_high_nm - thickness.p95_ci_low_nm
    checks = {
        "no_fibrils": len(result.fibrils.length_nm) == 0,
        "few_pieces": thickness.pieces < settings.pieces_min,
        "thin_in_pixels": thickness.median_nm < settings.thin_px * max(pixel),
        "thin_tail_cut": _thin_tail_nm(result) < settings.thin_px * max(pixel),
        "wide_interval": width / 2.0 > settings.wide_interval * thickness.p95_nm,
    }
    return {name for name, raised in checks.items() if raised}


def _thin_tail_nm(result: NetworkAnalysis) -> float:
    """Thickness below which a tenth of the measured length lies; NaN without any."""
    value = result.fibrils.thickness_nm
    known = np.isfinite(value)
    if not known.any():
        return float("nan")
    return weighted_quantile(value[known], result.fibrils.length_nm[known], 0.1)


def _band_flags(
    result: NetworkAnalysis, pixel: tuple[float, float], settings: CollagenSettings
) -> set[str]:
    banding = result.banding
    checks = {
        "not_resolvable": not banding.resolvable,
        "pooled_only": settings.band_pixel_nm < max(pixel) <= settings.band_pixel_max_nm,
        "no_bands": banding.resolvable and not np.isfinite(banding.period_nm),
        "band_vibration": banding.vibration,
        "scan_vibration": banding.scan_line_ratio > 0,
    }
    return {name for name, raised in checks.items() if raised}


def _input_flags(
    result: NetworkAnalysis, empty: str, pixel: tuple[float, float], settings: CollagenSettings
) -> set[str]:
    finest = FINEST_PX * max(pixel)
    asked = (settings.s_filter_nm, settings.l_filter_nm)
    checks = {
        "spikes_masked": result.faults.spikes > 0,
        "scars_masked": result.faults.scars > 0,
        "lost_rows": result.faults.lost_rows > 0,
        "filter_too_fine": any(f is not None and f < finest for f in asked),
        "unit_suspect": wrong_unit(result.texture.Sdq),
    }
    if not empty:
        rows, cols = result.levelled_nm.shape
        top, left = max(0, (rows - _LOOKED_AT) // 2), max(0, (cols - _LOOKED_AT) // 2)
        part = result.levelled_nm[top : top + _LOOKED_AT, left : left + _LOOKED_AT]
        height = fill_missing(part.astype(np.float64))
        checks["heights_inverted"] = upside_down(height, pixel)
    return {name for name, raised in checks.items() if raised}


def _tip_flags(
    result: NetworkAnalysis, tip: ImageTip | None, settings: CollagenSettings
) -> set[str]:
    if tip is None or tip.radius_nm is None:
        return {"radius_unknown"}
    stated = settings.radius_rel_sd if tip.radius_rel_sd is None else tip.radius_rel_sd
    ratio = result.tip_bound.radius_nm / tip.radius_nm
    checks = {
        "tip_blunter_than_stated": ratio > settings.tip_blunter_ratio * (1.0 + 2.0 * stated),
        "tip_sharper_than_stated": ratio * (1.0 + 2.0 * stated) < settings.tip_sharper_ratio,
    }
    return {name for name, raised in checks.items() if raised}
