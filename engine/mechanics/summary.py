"""One map of curves in a few numbers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from engine.across import median_with_interval
from engine.flags import Flag

from .flags import FLAGS
from .results import CurveFits
from .settings import MechanicsSettings

Floats = NDArray[np.float64]

MAP_FLAGS: tuple[Flag, ...] = (
    Flag("no_curve_used", "No curve of the map could be used.", True),
    Flag("few_curves_used", "Too few of the curves that were taken could be used."),
    Flag("no_interval", "Too few curves for an interval of the median at this level."),
    Flag(
        "modulus_drift",
        "The modulus rises or falls along the scan: wear or dirt on the tip, or a gradient of the "
        "tissue along the slow axis; one map cannot tell.",
    ),
    Flag("baseline_drift", "The baseline wanders along the scan: warmth, light or a loose holder."),
    Flag("contact_drift", "The contact wanders along the scan: a tilted sample, a creeping stage."),
    Flag(
        "law_doubtful",
        "The contact law leaves a shape behind, misses the exponent or gives another modulus at "
        "another depth: an apparent modulus only.",
    ),
    Flag("other_law", "Another contact law describes the curves better and gives another modulus."),
    Flag("many_outliers", "Many outliers: perhaps two materials, and one median tells neither."),
)
"""Flags of a map, beside those that many of its curves carry."""


@dataclass(frozen=True)
class MapModulus:
    """Summary over the used curves of one map; NaN where there is none.

    The interval speaks of this map's curves, which lie micrometres apart and are not independent
    samples of the tissue: sites are compared by their medians, never by pooling curves.

    Attributes
    ----------
    median_kPa
        Median of Young's modulus.
    ci_low_kPa, ci_high_kPa
        Confidence interval of that median, at the settings' level.
    geomean_kPa, iqr_kPa
        Geometric mean; interquartile range.
    fit_part_rel
        Median relative standard error of one curve's fit: the share of the scatter that the noise
        explains.
    indentation_nm, exponent, adhesion_nN, dissipation, stiffness_ratio
        Medians over the used curves that have the value.
    curves_total
        Curves that were taken.
    curves_used
        Those that entered.
    counts
        How many of all curves carry each flag, in the order of ``FLAGS``.
    flags
        Names for the map as a whole.
    """

    median_kPa: float
    ci_low_kPa: float
    ci_high_kPa: float
    geomean_kPa: float
    iqr_kPa: float
    fit_part_rel: float
    indentation_nm: float
    exponent: float
    adhesion_nN: float
    dissipation: float
    stiffness_ratio: float
    curves_total: int
    curves_used: int
    counts: tuple[int, ...]
    flags: tuple[str, ...]


def summarise_map(fits: CurveFits, settings: MechanicsSettings | None = None) -> MapModulus:
    """Summarise one map's fits.

    Parameters
    ----------
    fits
        Fits of the map's curves.
    settings
        Level of the interval and share of curves from which a flag is the map's.

    Returns
    -------
    MapModulus
    """
    s = settings if settings is not None else MechanicsSettings()
    used = fits.used & np.isfinite(fits.modulus_kPa)
    modulus = fits.modulus_kPa[used]
    has = [(fits.flags >> np.uint32(bit)) & np.uint32(1) == 1 for bit in range(len(FLAGS))]
    taken = ~has[0]
    middle = median_with_interval(modulus, s.interval_level)
    quartiles = np.quantile(modulus, [0.25, 0.75]) if len(modulus) else np.full(2, np.nan)
    return MapModulus(
        median_kPa=middle.median,
        ci_low_kPa=middle.low,
        ci_high_kPa=middle.high,
        geomean_kPa=float(np.exp(np.mean(np.log(modulus)))) if len(modulus) else np.nan,
        iqr_kPa=float(quartiles[1] - quartiles[0]),
        fit_part_rel=finite_median(fits.log_modulus_se[used]),
        indentation_nm=finite_median(fits.indentation_nm[used]),
        exponent=finite_median(fits.exponent[used]),
        adhesion_nN=finite_median(fits.adhesion_nN[used]),
        dissipation=finite_median(fits.dissipation[used]),
        stiffness_ratio=finite_median(fits.stiffness_ratio[used]),
        curves_total=int(taken.sum()),
        curves_used=len(modulus),
        counts=tuple(int(mask.sum()) for mask in has),
        flags=_map_flags(has, taken, used, np.isfinite(middle.low), s),
    )


def finite_median(values: Floats) -> float:
    """Median of the finite values; NaN if there is none."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else np.nan


def _map_flags(
    has: Sequence[NDArray[np.bool_]],
    taken: NDArray[np.bool_],
    used: NDArray[np.bool_],
    interval: bool,
    s: MechanicsSettings,
) -> tuple[str, ...]:
    names = []
    if not used.any():
        names.append("no_curve_used")
    elif used.sum() < s.few_curves_share * taken.sum():
        names.append("few_curves_used")
    if used.any() and not interval:
        names.append("no_interval")
    many = s.map_flag_share * max(int(taken.sum()), 1)
    names += [
        flag.name
        for flag, mask in zip(FLAGS[1:], has[1:], strict=True)
        if (mask & taken).sum() > many
    ]
    return tuple(names)
