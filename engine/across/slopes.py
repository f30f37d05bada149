"""Straight lines through site quantities: least squares with band, and slopes of all pairs."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import norm, rankdata, t

from engine.across.intervals import FloatArray, check_level
from engine.across.settings import AcrossSettings

_DEFAULT = AcrossSettings()


@dataclass(frozen=True)
class SlopeFit:
    """A least squares line and its confidence band.

    Attributes
    ----------
    slope, slope_se, slope_low, slope_high
        Slope, its standard error and interval, in units of y per unit of x.
    intercept, intercept_se, intercept_low, intercept_high
        Value at x = 0, in units of y.
    residual_sd
        Standard deviation of the residuals (n - 2), in units of y.
    x_mean, x_spread
        Mean of x, and sum of squared deviations from it.
    r, r_low, r_high
        Pearson's correlation with its interval by Fisher's transformation (n >= 4, else NaN).
    spearman
        Spearman's rank correlation.
    p
        Two-sided p value of slope = 0 under independent normal residuals.
    n
        Number of points with both values finite.
    level
        Confidence level.
    method
        ``least_squares`` or ``none``.
    flags
        Names from ``engine.across.flags``.
    """

    slope: float
    slope_se: float
    slope_low: float
    slope_high: float
    intercept: float
    intercept_se: float
    intercept_low: float
    intercept_high: float
    residual_sd: float
    x_mean: float
    x_spread: float
    r: float
    r_low: float
    r_high: float
    spearman: float
    p: float
    n: int
    level: float
    method: Literal["least_squares", "none"]
    flags: tuple[str, ...] = ()

    def band(self, x: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Line and confidence band of the mean of y.

        Parameters
        ----------
        x
            Where, any shape, in units of x.

        Returns
        -------
        tuple of arrays
            Fitted value, lower and upper end, each of the shape of ``x``; NaN without a fit.
        """
        where = np.asarray(x, dtype=np.float64)
        fitted = self.intercept + self.slope * where
        if self.n < 3 or self.method == "none":
            return fitted, np.full_like(fitted, np.nan), np.full_like(fitted, np.nan)
        quantile = float(t.ppf((1 + self.level) / 2, self.n - 2))
        spread = 1.0 / self.n + (where - self.x_mean) ** 2 / self.x_spread
        half = quantile * self.residual_sd * np.sqrt(spread)
        return fitted, fitted - half, fitted + half


@dataclass(frozen=True)
class PairSlope:
    """Theil-Sen slope: the median of the slopes of all pairs.

    Attributes
    ----------
    slope, slope_low, slope_high
        Slope and interval, in units of y per unit of x; NaN ends where n is too small.
    intercept
        Median of y - slope x, in units of y.
    kendall_tau
        Kendall's tau-b of x and y.
    n
        Number of points.
    level
        Confidence level.
    flags
        Names from ``engine.across.flags``.
    """

    slope: float
    slope_low: float
    slope_high: float
    intercept: float
    kendall_tau: float
    n: int
    level: float
    flags: tuple[str, ...] = ()


def _paired(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Keep the points with both values finite."""
    first = np.asarray(x, dtype=np.float64).ravel()
    second = np.asarray(y, dtype=np.float64).ravel()
    if first.shape != second.shape:
        raise ValueError(f"x and y must be of one length, got {first.size} and {second.size}")
    keep = np.isfinite(first) & np.isfinite(second)
    return first[keep], second[keep]


def _no_slope(x: FloatArray, level: float, flags: tuple[str, ...]) -> SlopeFit:
    nan = float("nan")
    mean = float(x.mean()) if x.size else nan
    nine = (nan, nan, nan, nan, nan, nan, nan, nan, nan)
    return SlopeFit(*nine, mean, 0.0, nan, nan, nan, nan, nan, x.size, level, "none", flags)


def _correlation(x: FloatArray, y: FloatArray) -> float:
    """Pearson's r; NaN where a side doesn't vary."""
    dx, dy = x - x.mean(), y - y.mean()
    size = float(np.sqrt(dx @ dx) * np.sqrt(dy @ dy))
    return float(np.clip(dx @ dy / size, -1.0, 1.0)) if size > 0 else float("nan")


def _fisher(r: float, n: int, level: float) -> tuple[float, float]:
    """Interval of a correlation by Fisher's transformation."""
    if n < 4 or not np.isfinite(r):
        return float("nan"), float("nan")
    if abs(r) == 1.0:
        return r, r
    half = float(norm.ppf((1 + level) / 2)) / (n - 3) ** 0.5
    return float(np.tanh(np.arctanh(r) - half)), float(np.tanh(np.arctanh(r) + half))


def slope_with_band(
    x: npt.ArrayLike, y: npt.ArrayLike, level: float = 0.95, settings: AcrossSettings = _DEFAULT
) -> SlopeFit:
    """Least squares line with standard errors, intervals and confidence band.

    Parameters
    ----------
    x, y
        Quantities of sites, shape (n,); pairs that are not both finite are left out.
    level
        Confidence level, 0 to 1.
    settings
        ``slope_count`` says below how many points the fit is flagged ``few_points``.

    Returns
    -------
    SlopeFit
        Without a slope (method ``none``) for fewer than three points or an x that doesn't vary.

    Raises
    ------
    ValueError
        If x and y differ in length, or ``level`` is not within 0 to 1.

    Notes
    -----
    Textbook ordinary least squares; checked against certified values in the tests. Residuals
    are taken as independent: neighbouring sites of one disc are not quite, and the band is then
    too narrow.

    Examples
    --------
    >>> slope_with_band([0, 1, 2, 3], [1, 3, 5, 7]).slope
    2.0
    """
    check_level(level)
    first, second = _paired(x, y)
    n = first.size
    flags = ("few_points",) if n < settings.slope_count else ()
    if n < 3:
        return _no_slope(first, level, flags)
    x_mean, y_mean = float(first.mean()), float(second.mean())
    dx = first - x_mean
    x_spread = float(dx @ dx)
    if x_spread <= (1e-14 * max(abs(x_mean), 1e-300)) ** 2 * n:
        return _no_slope(first, level, (*flags, "constant_x"))
    slope = float(dx @ (second - y_mean)) / x_spread
    intercept = y_mean - slope * x_mean
    residual = second - y_mean - slope * dx
    sd = float(np.sqrt(residual @ residual / (n - 2)))
    slope_se = sd / x_spread**0.5
    intercept_se = sd * (1.0 / n + x_mean**2 / x_spread) ** 0.5
    quantile = float(t.ppf((1 + level) / 2, n - 2))
    r = _correlation(first, second)
    p = float(2 * t.sf(abs(slope) / slope_se, n - 2)) if slope_se > 0 else float(slope == 0)
    return SlopeFit(
        slope=slope,
        slope_se=slope_se,
        slope_low=slope - quantile * slope_se,
        slope_high=slope + quantile * slope_se,
        intercept=intercept,
        intercept_se=intercept_se,
        intercept_low=intercept - quantile * intercept_se,
        intercept_high=intercept + quantile * intercept_se,
        residual_sd=sd,
        x_mean=x_mean,
        x_spread=x_spread,
        r=r,
        r_low=_fisher(r, n, level)[0],
        r_high=_fisher(r, n, level)[1],
        spearman=_correlation(rankdata(first), rankdata(second)),
        p=p,
        n=n,
        level=level,
        method="least_squares",
        flags=flags,
    )


def _tie_sum(values: FloatArray) -> tuple[float, float]:
    """Sum over ties of t(t-1)(2t+5), and of t(t-1)/2."""
    counts = np.unique(values, return_counts=True)[1].astype(np.float64)
    pairs = counts * (counts - 1)
    return float(np.sum(pairs * (2 * counts + 5))), float(np.sum(pairs) / 2)


def theil_sen(
    x: npt.ArrayLike, y: npt.ArrayLike, level: float = 0.95, settings: AcrossSettings = _DEFAULT
) -> PairSlope:
    """Slope as the median of the slopes of all pairs, which a few wild sites can't turn.

    Parameters
    ----------
    x, y
        Quantities of sites, shape (n,); pairs that are not both finite are left out.
    level
        Confidence level, 0 to 1.
    settings
        ``pairwise_slope_count`` and ``slope_count``.

    Returns
    -------
    PairSlope
        NaN throughout for fewer than two points, an x that doesn't vary, or more points than
        ``pairwise_slope_count`` (flag ``too_many_pairs``).

    Raises
    ------
    ValueError
        If x and y differ in length, or ``level`` is not within 0 to 1.

    Notes
    -----
    Theil 1950; the interval of Sen, J. Am. Stat. Assoc. 63 (1968) 1379, by the normal
    approximation of Kendall's statistic with its tie correction.

    Examples
    --------
    >>> theil_sen([0, 1, 2, 3], [0, 1, 2, 9]).slope
    2.0
    """
    check_level(level)
    first, second = _paired(x, y)
    n = first.size
    flags = ("few_points",) if n < settings.slope_count else ()
    nan = float("nan")
    if n > settings.pairwise_slope_count:
        return PairSlope(nan, nan, nan, nan, nan, n, level, ("too_many_pairs",))
    upper = np.triu_indices(n, 1)
    dx = first[upper[1]] - first[upper[0]]
    dy = second[upper[1]] - second[upper[0]]
    apart = dx != 0
    if not apart.any():
        reason = (*flags, "constant_x") if n > 1 else flags
        return PairSlope(nan, nan, nan, nan, nan, n, level, reason)
    slopes = np.sort(dy[apart] / dx[apart])
    slope = float(np.median(slopes))
    tied_x, same_x = _tie_sum(first)
    tied_y, same_y = _tie_sum(second)
    pairs = n * (n - 1) / 2
    concordance = float(np.sum(np.sign(dx) * np.sign(dy)))
    size = ((pairs - same_x) * (pairs - same_y)) ** 0.5
    variance = (n * (n - 1) * (2 * n + 5) - tied_x - tied_y) / 18.0
    reach = float(norm.ppf((1 + level) / 2)) * max(variance, 0.0) ** 0.5
    cut = int(np.floor((slopes.size - reach) / 2.0))
    low, high = (float(slopes[cut]), float(slopes[-1 - cut])) if cut >= 0 else (nan, nan)
    return PairSlope(
        slope=slope,
        slope_low=low,
        slope_high=high,
        intercept=float(np.median(second - slope * first)),
        kendall_tau=concordance / size if size > 0 else nan,
        n=n,
        level=level,
        flags=flags,
    )
