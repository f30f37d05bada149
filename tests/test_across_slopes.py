"""Slopes: identities, edges, coverage of intervals and band."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from engine.across import AcrossSettings, slope_with_band, theil_sen


def test_an_exact_line_is_found_with_no_spread() -> None:
    x = np.arange(12.0)
    fit = slope_with_band(x, 3 - 0.5 * x)
    assert (fit.slope, fit.intercept) == pytest.approx((-0.5, 3))
    assert (fit.r, fit.spearman) == pytest.approx((-1, -1))
    assert fit.residual_sd == pytest.approx(0, abs=1e-12)
    assert fit.flags == ()


def test_band_is_narrowest_at_the_mean_and_is_the_slope_interval_far_away() -> None:
    rng = np.random.default_rng(2)
    x = rng.uniform(0, 4, 30)
    fit = slope_with_band(x, 2 * x + rng.normal(0, 0.5, 30))
    where = np.array([fit.x_mean - 2, fit.x_mean, fit.x_mean + 2, 1e9])
    line, low, high = fit.band(where)
    half = (high - low) / 2
    assert np.argmin(half) == 1
    assert half[0] == pytest.approx(half[2])
    assert half[1] == pytest.approx(
        stats.t.ppf(0.975, 28) * fit.residual_sd / np.sqrt(30), rel=1e-12
    )
    assert half[3] / 1e9 == pytest.approx((fit.slope_high - fit.slope_low) / 2, rel=1e-6)
    assert line[1] == pytest.approx(fit.intercept + fit.slope * fit.x_mean)


def test_band_at_zero_is_the_interval_of_the_intercept() -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(1, 4, 15)
    fit = slope_with_band(x, rng.normal(0, 1, 15), level=0.9)
    _, low, high = fit.band(0.0)
    assert (float(low), float(high)) == pytest.approx((fit.intercept_low, fit.intercept_high))


def test_slopes_and_band_cover() -> None:
    rng = np.random.default_rng(8)
    hits = np.zeros(3)
    for _ in range(600):
        x = rng.lognormal(0, 0.5, 20)
        y = 1.5 - 0.7 * x + rng.normal(0, 0.4, 20)
        fit, pairs = slope_with_band(x, y), theil_sen(x, y)
        _, low, high = fit.band(2.0)
        hits += (
            fit.slope_low <= -0.7 <= fit.slope_high,
            low <= 0.1 <= high,
            pairs.slope_low <= -0.7 <= pairs.slope_high,
        )
    assert (hits / 600 > 0.92).all()
    assert (hits / 600 < 0.98).all()


def test_pair_slopes_ignore_a_few_wild_points() -> None:
    rng = np.random.default_rng(9)
    x = np.linspace(0, 10, 41)
    y = 2 * x + rng.normal(0, 0.2, 41)
    y[[3, 20, 38]] += (80, -60, 90)
    assert theil_sen(x, y).slope == pytest.approx(2, abs=0.05)
    assert abs(slope_with_band(x, y).slope - 2) > 0.15


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(-9, 9), st.integers(-9, 9)), min_size=3, max_size=25))
def test_pair_slopes_agree_with_scipy(points: list[tuple[int, int]]) -> None:
    x, y = np.array(points, dtype=float).T
    ours = theil_sen(x, y)
    if len(set(x)) == 1 or len(set(y)) == 1:
        assert len(set(x)) > 1 or "constant_x" in ours.flags
        return
    with np.errstate(invalid="ignore"):  # its variance can round to just below zero
        theirs = stats.theilslopes(y, x)
    assert ours.slope == pytest.approx(theirs.slope)
    tau = stats.kendalltau(x, y).statistic
    assert ours.kendall_tau == pytest.approx(tau, nan_ok=True)


@given(st.lists(st.tuples(st.integers(-9, 9), st.integers(-9, 9)), min_size=4, max_size=25))
def test_rank_correlation_agrees_with_scipy(points: list[tuple[int, int]]) -> None:
    x, y = np.array(points, dtype=float).T
    if len(set(x)) == 1 or len(set(y)) == 1:
        return
    fit = slope_with_band(x, y)
    assert fit.spearman == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)
    assert fit.p == pytest.approx(stats.linregress(x, y).pvalue, rel=1e-6, abs=1e-12)


def test_what_gives_no_slope() -> None:
    flat = slope_with_band([2.0] * 12, np.arange(12))
    assert (flat.method, flat.flags) == ("none", ("constant_x",))
    assert np.isnan(flat.band([1.0, 2.0])[1]).all()
    assert slope_with_band([1, 2], [1, 2]).method == "none"
    assert slope_with_band([1, 2, np.nan], [1, 2, 3]).n == 2
    assert "few_points" in slope_with_band([1, 2, 4], [1, 2, 3]).flags
    assert np.isnan(theil_sen([], []).slope)


def test_too_many_points_are_said_not_tried() -> None:
    few = AcrossSettings(pairwise_slope_count=10)
    result = theil_sen(np.arange(11), np.arange(11), settings=few)
    assert (result.flags, np.isnan(result.slope)) == (("too_many_pairs",), True)


def test_lengths_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="got 2 and 3"):
        slope_with_band([1, 2], [1, 2, 3])
