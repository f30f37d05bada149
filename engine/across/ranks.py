"""Whether one set of sites tends to larger values, and how clearly: rank test and effect size.

Sign convention: positive where ``a`` is larger than ``b``.
"""

from dataclasses import dataclass
from math import comb
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.stats import norm, rankdata, t

from engine.across.intervals import FloatArray, check_level, finite


@dataclass(frozen=True)
class RankTest:
    """Brunner-Munzel test that neither side tends to larger values.

    Attributes
    ----------
    statistic
        Studentised difference of mean ranks; infinite where the sides are fully separated.
    df
        Satterthwaite degrees of freedom; NaN where no variance is left.
    p
        Two-sided p value; NaN where a side has fewer than two values.
    superiority
        P(a > b) + P(a = b) / 2, 0 to 1.
    method
        ``t_approximation``; ``permutation_fully_separated``: the exact two-sided permutation p,
        2 / C(n_a + n_b, n_a); ``all_equal``; or ``none``.
    n_a, n_b
        Finite values a side.
    """

    statistic: float
    df: float
    p: float
    superiority: float
    method: Literal["t_approximation", "permutation_fully_separated", "all_equal", "none"]
    n_a: int
    n_b: int


@dataclass(frozen=True)
class Dominance:
    """Cliff's delta, P(a > b) - P(a < b).

    Attributes
    ----------
    delta
        -1 to 1; NaN where a side is empty.
    low, high
        Ends of the interval; NaN where a side has fewer than two values.
    level
        Confidence level.
    n_a, n_b
        Finite values a side.
    """

    delta: float
    low: float
    high: float
    level: float
    n_a: int
    n_b: int


def _placements(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """Superiority of a, and what each side adds to its estimated variance."""
    n, m = a.size, b.size
    ranks = rankdata(np.concatenate([a, b]))
    # A placement counts, for each value, those of the other side below it (ties half).
    place_a, place_b = ranks[:n] - rankdata(a), ranks[n:] - rankdata(b)
    spread_a = float(np.var(place_a, ddof=1)) / m**2 / n
    spread_b = float(np.var(place_b, ddof=1)) / n**2 / m
    return float(place_a.mean()) / m, spread_a, spread_b


def _satterthwaite(spread_a: float, spread_b: float, n: int, m: int) -> float:
    """Degrees of freedom of the sum of two estimated variances."""
    return (spread_a + spread_b) ** 2 / (spread_a**2 / (n - 1) + spread_b**2 / (m - 1))


def brunner_munzel(a: npt.ArrayLike, b: npt.ArrayLike) -> RankTest:
    """Test by Brunner-Munzel whether one side tends to larger values.

    It needs neither equal spread nor equal shape, which sites of healthy and degenerated tissue
    don't have.

    Parameters
    ----------
    a, b
        Values of the two sides, any unit; those not finite are left out. Independent values.

    Returns
    -------
    RankTest
        Two cases have no variance left and no t statistic: all values equal (p = 1), and full
        separation, where the exact permutation p is given instead of the 0 that the t
        approximation would claim.

    Notes
    -----
    Brunner & Munzel, Biometrical J. 42 (2000) 17. The t approximation is rough below about ten
    values a side.

    Examples
    --------
    >>> brunner_munzel([4.0, 5.0, 6.0], [1.0, 2.0, 3.0]).p
    0.1
    """
    first, second = finite(a), finite(b)
    n, m = first.size, second.size
    nan = float("nan")
    if n < 2 or m < 2:
        return RankTest(nan, nan, nan, _superiority(first, second), "none", n, m)
    superiority, spread_a, spread_b = _placements(first, second)
    spread = spread_a + spread_b
    if spread == 0.0:
        if superiority == 0.5:
            return RankTest(0.0, nan, 1.0, superiority, "all_equal", n, m)
        p = 2.0 / comb(n + m, n)
        infinite = float(np.copysign(np.inf, superiority - 0.5))
        return RankTest(infinite, nan, p, superiority, "permutation_fully_separated", n, m)
    statistic = (superiority - 0.5) / spread**0.5
    df = _satterthwaite(spread_a, spread_b, n, m)
    p = float(2.0 * t.sf(abs(statistic), df))
    return RankTest(statistic, df, p, superiority, "t_approximation", n, m)


def _superiority(a: FloatArray, b: FloatArray) -> float:
    """P(a > b) + P(a = b) / 2 over all pairs; NaN where a side is empty."""
    if a.size == 0 or b.size == 0:
        return float("nan")
    ordered = np.sort(b)
    below = np.searchsorted(ordered, a, side="left") + np.searchsorted(ordered, a, side="right")
    return float(np.mean(below)) / (2.0 * b.size)


def _variance_exponential(theta: float, n: int, m: int) -> float:
    """Variance of the superiority at its true value, for exponential distributions."""
    spare = 0.5 * (n + m) - 1.0
    lift = 1.0 + spare * (1.0 - theta) / (2.0 - theta) + spare * theta / (1.0 + theta)
    return theta * (1.0 - theta) * lift / (n * m)


def _score_end(theta: float, n: int, m: int, z: float, side: Literal[-1, 1]) -> float:
    """End of the score interval of the superiority, below (-1) or above (+1) the estimate."""
    limit = 0.0 if side < 0 else 1.0
    if theta == limit:
        return limit

    def excess(value: float) -> float:
        return side * (value - theta) - z * _variance_exponential(value, n, m) ** 0.5

    # A hair off the estimate: at the other extreme it is itself a root, and not the one wanted.
    return float(brentq(excess, theta + side * 1e-12, limit))


def _score_quantile(a: FloatArray, b: FloatArray, level: float) -> float:
    """Quantile for the score interval: wider where the variance seen exceeds the model's."""
    z = float(norm.ppf((1 + level) / 2))
    theta, spread_a, spread_b = _placements(a, b)
    if spread_a + spread_b == 0.0:
        return z
    ratio = (spread_a + spread_b) / _variance_exponential(theta, a.size, b.size)
    df = _satterthwaite(spread_a, spread_b, a.size, b.size)
    return max(z, float(t.ppf((1 + level) / 2, df)) * ratio**0.5)


def cliffs_delta(a: npt.ArrayLike, b: npt.ArrayLike, level: float = 0.95) -> Dominance:
    """Cliff's delta with an interval that holds near plus and minus one too.

    Parameters
    ----------
    a, b
        Values of the two sides, any unit; those not finite are left out. Independent values.
    level
        Confidence level, 0 to 1.

    Returns
    -------
    Dominance
        The interval is the score interval of the superiority P(a > b) + P(a = b) / 2, mapped by
        2 theta - 1.

    Raises
    ------
    ValueError
        If ``level`` is not within 0 to 1.

    Notes
    -----
    Newcombe, Stat. Med. 25 (2006) 559, method 5 (from memory): the variance is taken at the end
    itself, so that full separation doesn't give an interval of no width. Its variance is that of
    one family of distributions; where the placements of Brunner & Munzel vary more (unequal
    spreads), the interval is widened by the ratio and Student's quantile, which is our own step.
    The coverage is simulated in the tests: 93 to 99 % at 95 %; down to 90 % for 4 against 6 values
    of threefold spread.

    Examples
    --------
    >>> cliffs_delta([3.0, 4.0], [1.0, 3.0]).delta
    0.75
    """
    check_level(level)
    first, second = finite(a), finite(b)
    n, m = first.size, second.size
    theta = _superiority(first, second)
    nan = float("nan")
    if n < 2 or m < 2:
        return Dominance(2 * theta - 1, nan, nan, level, n, m)
    z = _score_quantile(first, second, level)
    low = 2 * _score_end(theta, n, m, z, -1) - 1
    high = 2 * _score_end(theta, n, m, z, 1) - 1
    return Dominance(2 * theta - 1, low, high, level, n, m)
