"""The verdict on a map: how much of it counts, whether it drifts along the scan, its outliers."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.flags import mask_of

from .flags import FLAGS
from .results import CurveFits
from .settings import MechanicsSettings
from .summary import finite_median
from .trend import Trend, scan_trend

Floats = NDArray[np.float64]

OUTLIER = np.uint32(mask_of(FLAGS, ["outlier"]))
NOT_TAKEN = np.uint32(mask_of(FLAGS, ["not_taken"]))
LEAST_CURVES = 8
"""Fewer usable curves than this have no outliers among them."""


@dataclass(frozen=True)
class MapVerdict:
    """What is to be said of a map as a whole.

    Attributes
    ----------
    usable_share
        Usable curves over those taken; NaN where none was taken.
    modulus
        Trend of ln E over the usable curves, in the order of the scan.
    baseline_nm, contact_nm
        Trends of the baseline at the contact and of the contact itself, nm.
    outliers
        Usable or set-aside curves that carry ``outlier``.
    flags
        Names, of `MAP_FLAGS`.
    """

    usable_share: float
    modulus: Trend
    baseline_nm: Trend
    contact_nm: Trend
    outliers: int
    flags: tuple[str, ...]

    @property
    def modulus_change(self) -> float:
        """Relative change of the modulus from the first to the last curve."""
        return float(np.expm1(self.modulus.change))


def judge_map(fits: CurveFits, settings: MechanicsSettings | None = None) -> MapVerdict:
    """Judge a map as a whole.

    A trend along the scan is what wear or dirt on the tip, warmth and a creeping stage do; a
    gradient of the tissue along the slow axis looks the same and cannot be told from it by one map.

    Parameters
    ----------
    fits
        Fits of the map's curves, in the order in which they were taken, row by row.
    settings
        Thresholds.

    Returns
    -------
    MapVerdict
    """
    s = settings if settings is not None else MechanicsSettings()
    used = fits.used & np.isfinite(fits.modulus_kPa)
    taken = int(((fits.flags & NOT_TAKEN) == 0).sum())
    level = fits.baseline_offset_nm + fits.baseline_slope * fits.contact_z_nm
    outliers = int(((fits.flags & OUTLIER) != 0).sum())
    modulus, baseline, contact = (
        scan_trend(np.where(used, values, np.nan), s.interval_level)
        for values in (_log(fits.modulus_kPa), level, fits.contact_z_nm)
    )
    push = finite_median(fits.force_nN[used]) / fits.spring_constant_N_per_m
    depth = finite_median(fits.indentation_nm[used])
    drifts = {
        "modulus_drift": (modulus, np.log1p(s.drift_modulus_share)),
        "baseline_drift": (baseline, s.drift_baseline_share * push),
        "contact_drift": (contact, s.drift_contact_depths * depth),
    }
    flags = [
        name
        for name, (trend, least) in drifts.items()
        if trend.p < s.drift_p and abs(trend.change) > least
    ]
    if outliers > s.outlier_share * max(int(used.sum()), 1):
        flags.append("many_outliers")
    share = float(used.sum() / taken) if taken else float("nan")
    return MapVerdict(share, modulus, baseline, contact, outliers, tuple(flags))


def mark_outliers(fits: CurveFits, settings: MechanicsSettings | None = None) -> CurveFits:
    """Mark the curves whose modulus lies far from that of the others.

    A curve is an outlier where ln E is farther from the map's median than ``outlier_mad`` times
    1.4826 median absolute deviations (3.5: Iglewicz and Hoaglin 1993, How to detect and handle
    outliers), or that many of its own standard errors, whichever is larger: a stiff fibril in a
    quiet map is no outlier for being measured well.

    Parameters
    ----------
    fits
        Fits of a map.
    settings
        The rule, and whether outliers count.

    Returns
    -------
    CurveFits
        The same with the flag; with ``outliers_excluded`` such curves are no longer used.
    """
    s = settings if settings is not None else MechanicsSettings()
    used = fits.used & np.isfinite(fits.modulus_kPa)
    if used.sum() < LEAST_CURVES:
        return fits
    logs = _log(fits.modulus_kPa)
    away = np.abs(logs - np.median(logs[used]))
    spread = 1.4826 * float(np.median(away[used]))
    own = np.nan_to_num(fits.log_modulus_se)
    far = used & (away > s.outlier_mad * np.maximum(spread, own))
    flags = np.where(far, fits.flags | OUTLIER, fits.flags).astype(np.uint32)
    return replace(
        fits, flags=flags, used=fits.used & ~far if s.outliers_excluded else fits.used.copy()
    )


def verdict_words(
    verdict: MapVerdict, used: int, taken: int, settings: MechanicsSettings | None = None
) -> tuple[str, ...]:
    """Say the verdict in a few short sentences.

    Parameters
    ----------
    verdict
        The verdict.
    used, taken
        Curves that count, and that were taken.
    settings
        Those it was made with.
    """
    s = settings if settings is not None else MechanicsSettings()
    share = f" ({100 * verdict.usable_share:.0f} %)" if taken else ""
    return (
        f"{used} of {taken} curves count{share}.",
        drift_words(verdict.modulus_change, verdict.modulus.p, "modulus_drift" in verdict.flags),
        outlier_words(verdict.outliers, s.outliers_excluded),
    )


def drift_words(change: float, p: float, flagged: bool) -> str:
    """Say what the modulus does along the scan; empty where it is not known."""
    if not np.isfinite(change):
        return ""
    sign = "\N{MINUS SIGN}" if change < 0 else "+"
    size = f"{sign}{abs(100 * change):.0f} %, p {_p(p)}"
    if not flagged:
        return f"No drift along the scan beyond the limits of its flag ({size})."
    return (
        f"The modulus drifts along the scan ({size}): wear or dirt on the tip, or a gradient of "
        "the tissue."
    )


def outlier_words(count: int, excluded: bool) -> str:
    """Say how many outliers there are and what became of them; empty where there is none."""
    if not count:
        return ""
    fate = "left out" if excluded else "marked, and counted"
    return f"{count} outlier{'s' if count > 1 else ''}, {fate}."


def _p(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"= {p:.2g}"


def _log(modulus: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(modulus > 0, np.log(modulus), np.nan))
