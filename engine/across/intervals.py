"""Median with a distribution-free interval."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import binom

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MedianInterval:
    """A median and how well it is known.

    Attributes
    ----------
    median
        Median of the finite values, in their unit; NaN where there are none.
    low, high
        Ends of the interval, in the values' unit; NaN where there are too few values.
    level
        The confidence level asked for.
    coverage
        Least coverage the interval guarantees for any continuous distribution: exact for
        ``order_statistics``; for ``interpolated`` that of the narrower of the two order-statistic
        intervals between which it lies. NaN without an interval.
    n
        Number of finite values.
    method
        ``interpolated``, ``order_statistics`` or ``none``.
    flags
        Names from ``engine.across.flags``.
    """

    median: float
    low: float
    high: float
    level: float
    coverage: float
    n: int
    method: Literal["interpolated", "order_statistics", "none"]
    flags: tuple[str, ...] = ()


def finite(values: npt.ArrayLike) -> FloatArray:
    """Keep the finite values, as a flat float array.

    Parameters
    ----------
    values
        Anything numpy takes for numbers; flattened.
    """
    array = np.asarray(values, dtype=np.float64).ravel()
    return array[np.isfinite(array)]


def check_level(level: float) -> None:
    """Refuse a confidence level that is none.

    Raises
    ------
    ValueError
        If ``level`` is not within 0 to 1, exclusive.
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level!r}")


def _coverage(depth: int, n: int) -> float:
    """Coverage of the interval from the depth-th smallest to the depth-th largest value."""
    return float(1.0 - 2.0 * binom.cdf(depth - 1, n, 0.5))


def _depth(n: int, level: float) -> int:
    """Greatest depth whose interval still covers with ``level``; 0 where even the range fails."""
    depth = int(binom.ppf((1.0 - level) / 2.0, n, 0.5))
    while depth >= 1 and _coverage(depth, n) < level:
        depth -= 1
    return depth


def median_with_interval(
    values: npt.ArrayLike,
    level: float = 0.95,
    method: Literal["interpolated", "order_statistics"] = "interpolated",
) -> MedianInterval:
    """Median and its distribution-free confidence interval.

    Parameters
    ----------
    values
        The values, any shape and unit; those not finite are left out. They are taken as
        independent: pass one value a site, never the curves of a map.
    level
        Confidence level, 0 to 1.
    method
        ``order_statistics``: from the d-th smallest to the d-th largest value with the greatest d
        that covers with at least ``level`` for any continuous distribution, conservative.
        ``interpolated``: between that interval and the next narrower one, which covers close to
        ``level`` for a wide family of distributions.

    Returns
    -------
    MedianInterval
        Without an interval (NaN, flag ``no_interval``) where even the range of the values doesn't
        cover with ``level``: fewer than six values at 95 %.

    Raises
    ------
    ValueError
        If ``level`` or ``method`` is not one of those described.

    Notes
    -----
    The interpolation is that of Hettmansperger & Sheather, Stat. Probab. Lett. 4 (1986) 75
    (from memory; its coverage is simulated in the tests).

    Examples
    --------
    >>> median_with_interval([1, 2, 3, 4, 5]).method
    'none'
    >>> median_with_interval([1, 2, 3, 4, 5, 6], method="order_statistics").high
    6.0
    """
    check_level(level)
    if method not in ("interpolated", "order_statistics"):
        raise ValueError(f"method must be interpolated or order_statistics, got {method!r}")
    ordered = np.sort(finite(values))
    n = ordered.size
    median = float(np.median(ordered)) if n else float("nan")
    depth = _depth(n, level) if n else 0
    if depth == 0:
        nan = float("nan")
        return MedianInterval(median, nan, nan, level, nan, n, "none", ("no_interval",))
    outer = _coverage(depth, n)
    if method == "order_statistics":
        low, high = float(ordered[depth - 1]), float(ordered[n - depth])
        return MedianInterval(median, low, high, level, outer, n, "order_statistics")
    inner = _coverage(depth + 1, n) if 2 * (depth + 1) <= n else 0.0
    share = (outer - level) / (outer - inner)
    weight = (n - depth) * share / (depth + (n - 2 * depth) * share)
    low = float((1 - weight) * ordered[depth - 1] + weight * ordered[depth])
    high = float((1 - weight) * ordered[n - depth] + weight * ordered[n - depth - 1])
    return MedianInterval(median, low, high, level, inner, n, "interpolated")
