"""Medians, shifts, rank test and effect size: identities, edges, coverage."""

from collections.abc import Callable
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from engine.across import brunner_munzel, cliffs_delta, hodges_lehmann, median_with_interval
from engine.across.differences import _differences_at, _rank_sum_lower_tail, _smallest

numbers = st.lists(st.integers(-50, 50).map(float), min_size=2, max_size=15)


@pytest.mark.parametrize("n", [1, 3, 5])
def test_no_interval_below_six_values(n: int) -> None:
    result = median_with_interval(np.arange(n))
    assert result.median == (n - 1) / 2
    assert np.isnan([result.low, result.high]).all()
    assert result.flags == ("no_interval",)


def test_six_values_give_the_whole_range() -> None:
    result = median_with_interval([3, 1, 2, 6, 5, 4], method="order_statistics")
    assert (result.low, result.high) == (1, 6)
    assert result.coverage == pytest.approx(1 - 2 / 64)


def test_order_statistic_ranks_agree_with_the_sign_test() -> None:
    # Table of the sign test: n = 20, 95 % from the 6th to the 15th value (value from memory).
    result = median_with_interval(np.arange(1, 21), method="order_statistics")
    assert (result.low, result.high) == (6, 15)


@given(st.lists(st.floats(-1e6, 1e6), min_size=6, max_size=60))
def test_interpolated_interval_lies_within_the_exact_one(values: list[float]) -> None:
    wide = median_with_interval(values, method="order_statistics")
    close = median_with_interval(values)
    slack = 1e-9 * max(map(abs, values), default=1)
    assert wide.low - slack <= close.low <= close.median + slack
    assert close.median - slack <= close.high <= wide.high + slack


def test_median_leaves_missing_values_out() -> None:
    result = median_with_interval([np.nan, 1, np.inf, 3])
    assert (result.n, result.median) == (2, 2)
    assert median_with_interval([np.nan]).n == 0


@pytest.mark.parametrize("level", [0.0, 1.0, -1, 95])
def test_impossible_level_is_refused(level: float) -> None:
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        median_with_interval([1, 2], level)


def test_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match="got 'guess'"):
        median_with_interval([1, 2], method="guess")  # type: ignore[arg-type]


def _coverage(hit: Callable[[np.random.Generator], bool], runs: int, seed: int) -> float:
    rng = np.random.default_rng(seed)
    return float(np.mean([hit(rng) for _ in range(runs)]))


@pytest.mark.parametrize("n", [6, 9, 16, 40])
def test_median_interval_covers_skewed_values(n: int) -> None:
    def hit(rng: np.random.Generator) -> bool:
        result = median_with_interval(rng.lognormal(0.0, 0.6, n))
        return result.low <= 1.0 <= result.high

    # 1500 runs: standard error 0.6 %.
    assert 0.93 <= _coverage(hit, 1500, n) <= 0.985


@pytest.mark.parametrize(("n", "m"), [(4, 5), (8, 12), (30, 25), (70, 65)])
def test_shift_interval_covers(n: int, m: int) -> None:
    def hit(rng: np.random.Generator) -> bool:
        result = hodges_lehmann(rng.lognormal(0, 0.5, n) + 0.3, rng.lognormal(0, 0.5, m))
        return result.low <= 0.3 <= result.high

    assert 0.935 <= _coverage(hit, 1000, n) <= 0.99


@pytest.mark.parametrize(("mean", "sd"), [(0.0, 1.0), (1.0, 1.0), (2.5, 1.0), (1.0, 3.0)])
@pytest.mark.parametrize(("n", "m"), [(6, 6), (8, 20), (40, 40)])
def test_delta_interval_covers(n: int, m: int, mean: float, sd: float) -> None:
    truth = 2 * stats.norm.cdf(mean / np.hypot(sd, 1.0)) - 1

    def hit(rng: np.random.Generator) -> bool:
        result = cliffs_delta(rng.normal(mean, sd, n), rng.normal(0, 1, m))
        return bool(result.low <= truth <= result.high)

    # 500 runs: standard error 1 %. Somewhat wide near 1, by design.
    assert 0.925 <= _coverage(hit, 500, n + m) <= 0.998


@pytest.mark.parametrize(("n", "m"), [(3, 4), (5, 5), (2, 7)])
def test_rank_sum_distribution_against_counting(n: int, m: int) -> None:
    from itertools import combinations

    counts = np.zeros(n * m + 1)
    for places in combinations(range(n + m), n):
        counts[sum(places) - n * (n - 1) // 2] += 1
    tail = np.cumsum(counts) / comb(n + m, n)
    assert np.allclose(_rank_sum_lower_tail(n, m), tail[: n * m // 2 + 1], rtol=1e-12)


def test_rank_sum_tail_is_precise_for_long_sides() -> None:
    tail = np.asarray(_rank_sum_lower_tail(60, 60))
    assert tail[0] == pytest.approx(1 / comb(120, 60), rel=1e-12)
    assert (np.diff(tail) > 0).all()
    assert tail[1650] == pytest.approx(
        stats.norm.cdf((1650.5 - 1800) / np.sqrt(3600 * 121 / 12)), rel=5e-3
    )


def test_exact_and_normal_intervals_agree_for_long_sides() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(1, 1, 60), rng.normal(0, 1, 58)
    exact = hodges_lehmann(a, b)
    close = hodges_lehmann(a, b, exact_side_count=10)
    assert (exact.method, close.method) == ("exact", "asymptotic")
    assert close.low == pytest.approx(exact.low, abs=0.02)
    assert close.high == pytest.approx(exact.high, abs=0.02)


def test_differences_by_bisection_are_those_by_sorting() -> None:
    rng = np.random.default_rng(5)
    a, b = np.sort(rng.normal(size=40)), np.sort(rng.normal(size=30))
    every = np.sort((a[:, None] - b).ravel())
    for rank in (0, 1, 599, 600, 1199):
        assert _smallest(a, b, rank) == pytest.approx(every[rank], abs=1e-12)
        assert _differences_at(a, b, [rank])[0] == every[rank]


def test_shift_of_very_long_sides_needs_no_table_of_pairs() -> None:
    rng = np.random.default_rng(6)
    result = hodges_lehmann(rng.normal(0.5, 1, 4000), rng.normal(0, 1, 4000))
    assert result.low < 0.5 < result.high
    assert result.high - result.low < 0.12


def test_too_small_sides_give_a_shift_without_interval() -> None:
    result = hodges_lehmann([5.0, 6.0], [1.0, 2.0])
    assert (result.shift, result.method) == (4.0, "none")
    assert np.isnan(result.low)
    assert hodges_lehmann([], [1.0]).method == "none"


@given(numbers, numbers, st.integers(-20, 20), st.integers(1, 9))
def test_shift_moves_and_scales_with_the_values(
    a: list[float], b: list[float], move: int, scale: int
) -> None:
    before = hodges_lehmann(a, b)
    after = hodges_lehmann(np.array(a) * scale + move, np.array(b) * scale)
    mirrored = hodges_lehmann(b, a)
    assert after.shift == pytest.approx(before.shift * scale + move)
    assert mirrored.shift == pytest.approx(-before.shift)
    assert mirrored.low == pytest.approx(-before.high, nan_ok=True)


@given(numbers, numbers)
def test_test_and_effect_size_tell_one_story(a: list[float], b: list[float]) -> None:
    test, delta = brunner_munzel(a, b), cliffs_delta(a, b)
    assert delta.delta == pytest.approx(2 * test.superiority - 1)
    assert -1 <= delta.low <= delta.delta + 1e-9
    assert delta.delta - 1e-9 <= delta.high <= 1
    assert 0 < test.p <= 1
    other = brunner_munzel(b, a)
    assert other.p == pytest.approx(test.p)
    assert other.statistic == pytest.approx(-test.statistic)


@given(numbers, numbers)
def test_rank_test_agrees_with_scipy_where_it_is_defined(a: list[float], b: list[float]) -> None:
    ours = brunner_munzel(a, b)
    if ours.method != "t_approximation":
        return
    theirs = stats.brunnermunzel(b, a)
    assert ours.statistic == pytest.approx(theirs.statistic, rel=1e-9, abs=1e-12)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-8)


def test_full_separation_gives_the_permutation_p_not_zero() -> None:
    result = brunner_munzel([5, 6, 7, 8], [1, 2, 3, 4])
    assert result.statistic == np.inf
    assert result.p == pytest.approx(2 / 70)
    assert result.method == "permutation_fully_separated"
    assert cliffs_delta([5, 6, 7, 8], [1, 2, 3, 4]).high == 1
    assert cliffs_delta([5, 6, 7, 8], [1, 2, 3, 4]).low < 0.7


def test_equal_values_give_p_one() -> None:
    result = brunner_munzel([2, 2, 2], [2, 2])
    assert (result.p, result.method, result.superiority) == (1, "all_equal", 0.5)


def test_one_value_a_side_is_not_tested() -> None:
    result = brunner_munzel([2], [1, 3])
    assert (result.method, result.superiority) == ("none", 0.5)
    assert np.isnan(result.p)
    assert np.isnan(cliffs_delta([2], [1, 3]).low)
    assert np.isnan(cliffs_delta([], [1, 3]).delta)


def test_rank_test_keeps_its_level_with_unequal_spread() -> None:
    def reject(rng: np.random.Generator) -> bool:
        return brunner_munzel(rng.normal(0, 4, 12), rng.normal(0, 1, 25)).p < 0.05

    assert 0.03 <= _coverage(reject, 1000, 11) <= 0.075
