"""A map as a whole: the trend along the scan, outliers, and the limit behind every flag."""

from dataclasses import replace

import curve_simulator
import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from engine.flags import names_in
from engine.mechanics import (
    FLAGS,
    MAP_FLAGS,
    MechanicsSettings,
    Tip,
    fit_curves,
    judge_map,
    limit_words,
    mark_outliers,
    scan_trend,
    verdict_words,
)
from engine.mechanics.flag_limits import LIMITS


@pytest.fixture(scope="module")
def map_of():
    z, d, _ = curve_simulator.curves(64, 200, tip=Tip("paraboloid", 5000.0))
    fits = fit_curves(
        z, d, tip=Tip("paraboloid", 5000.0), spring_constant_N_per_m=0.8, poisson_ratio=0.5
    )

    def make(modulus):
        return replace(fits, modulus_kPa=np.asarray(modulus, float))

    return make


def test_slope_and_interval_are_those_of_scipy():
    rng = np.random.default_rng(0)
    for n in (9, 40, 200):
        y = 0.03 * np.arange(n) + rng.standard_normal(n)
        found = scan_trend(y)
        slope, _, low, high = theilslopes(y, np.arange(n), alpha=0.95)
        assert found.change == pytest.approx(slope * (n - 1), rel=1e-12)
        if found.inflation == 1.0:
            assert (found.low, found.high) == pytest.approx((low * (n - 1), high * (n - 1)))
        tau = kendalltau(np.arange(n), y, method="asymptotic")
        assert found.tau == pytest.approx(tau.statistic, rel=1e-12)
        if found.inflation == 1.0 and n > 9:
            # scipy takes no half step off the statistic
            assert found.p == pytest.approx(tau.pvalue, rel=0.2)


def test_ties_are_allowed_for_as_scipy_does():
    y = np.repeat([1.0, 2.0, 1.5, 3.0, 2.0, 4.0], 6)
    found = scan_trend(y)
    assert found.tau == pytest.approx(kendalltau(np.arange(36), y).statistic, rel=0.02)
    assert scan_trend(np.full(20, 3.0)).p == 1.0


def test_missing_curves_keep_their_place_in_the_scan():
    y = 0.5 * np.arange(50.0)
    y[[3, 4, 5, 30, 41]] = np.nan
    assert scan_trend(y).change == pytest.approx(24.5)
    assert np.isnan(scan_trend(y[:7]).p)


def test_a_tenth_of_wild_values_does_not_bend_the_slope():
    rng = np.random.default_rng(1)
    y = 0.01 * np.arange(200) + 0.1 * rng.standard_normal(200)
    y[rng.permutation(200)[:20]] += 50.0
    assert scan_trend(y).change == pytest.approx(2.0, abs=0.15)


def test_neighbours_alike_raise_few_false_alarms():
    rng = np.random.default_rng(2)
    series = curve_simulator.ar1(rng, (400, 64), 0.6, 1.0)
    p = np.array([scan_trend(y).p for y in series])
    plain = np.array([kendalltau(np.arange(64), y).pvalue for y in series])
    assert np.mean(plain < 0.05) > 0.25
    assert np.mean(p < 0.05) < 0.12
    assert np.mean(p < 0.01) < 0.05


def test_a_long_scan_is_taken_together_without_losing_its_trend():
    rng = np.random.default_rng(3)
    y = 1e-4 * np.arange(6000) + rng.standard_normal(6000)
    found = scan_trend(y)
    assert found.change == pytest.approx(0.6, abs=0.15)
    assert found.p < 1e-6
    assert found.count == 6000


def test_a_drift_is_flagged_where_it_is_clear_and_large(map_of):
    rng = np.random.default_rng(4)
    chance = np.exp(0.05 * rng.standard_normal(64))
    for change, flagged in ((0.4, True), (-0.3, True), (0.05, False), (0.0, False)):
        verdict = judge_map(map_of(100 * chance * (1 + change) ** np.linspace(0, 1, 64)))
        assert ("modulus_drift" in verdict.flags) == flagged
        assert verdict.modulus_change == pytest.approx(change, abs=0.08)
    clear = judge_map(
        map_of(100 * chance * 1.4 ** np.linspace(0, 1, 64)),
        MechanicsSettings(drift_modulus_share=0.8),
    )
    assert "modulus_drift" not in clear.flags


def test_baseline_and_contact_drift(map_of):
    fits = map_of(np.full(64, 100.0))
    push = np.median(fits.force_nN) / 0.8
    wander = replace(fits, baseline_offset_nm=0.8 * push * np.linspace(0, 1, 64))
    assert judge_map(wander).flags == ("baseline_drift",)
    assert judge_map(wander).baseline_nm.change == pytest.approx(0.8 * push, rel=0.01)
    depth = np.median(fits.indentation_nm)
    tilted = replace(fits, contact_z_nm=8 * depth * np.linspace(0, 1, 64))
    assert "contact_drift" in judge_map(tilted).flags


def test_outliers_are_marked_and_left_out_only_on_demand(map_of):
    rng = np.random.default_rng(5)
    modulus = 100 * np.exp(0.1 * rng.standard_normal(64))
    modulus[[7, 20]] = 300.0, 20.0
    marked = mark_outliers(map_of(modulus))
    named = [i for i, m in enumerate(marked.flags) if "outlier" in names_in(FLAGS, int(m))]
    # the rule by hand, on the logarithm (Iglewicz and Hoaglin 1993)
    logs = np.log(modulus)
    away = np.abs(logs - np.median(logs))
    assert named == np.flatnonzero(away > 3.5 * 1.4826 * np.median(away)).tolist()
    assert {7, 20} <= set(named)
    assert marked.used.all()
    strict = mark_outliers(map_of(modulus), MechanicsSettings(outliers_excluded=True))
    assert not strict.used[[7, 20]].any()
    assert np.isfinite(strict.modulus_kPa).all()
    assert judge_map(marked).outliers == len(named)
    assert "many_outliers" in judge_map(marked, MechanicsSettings(outlier_share=0.01)).flags


def test_equal_curves_have_no_outliers(map_of):
    assert judge_map(mark_outliers(map_of(np.full(64, 5.0)))).outliers == 0


def test_the_fit_itself_marks_them():
    rows = [curve_simulator.curves(1, 200, modulus_kPa=m, seed=i) for i, m in enumerate([300] * 12)]
    stiff = curve_simulator.curves(1, 200, modulus_kPa=900.0, seed=99)
    z, d = stiff[0], np.concatenate([row[1] for row in (*rows, stiff)])
    fits = fit_curves(
        z, d, tip=Tip("sphere", 5000.0), spring_constant_N_per_m=0.8, poisson_ratio=0.5
    )
    assert "outlier" in names_in(FLAGS, int(fits.flags[-1]))


def test_every_flag_has_its_limit_in_the_settings():
    names = [flag.name for flag in (*FLAGS, *MAP_FLAGS)]
    assert set(LIMITS) == set(names)
    without = {name for name in names if not limit_words(name)}
    assert without == {"not_taken"}
    fixed = {name for name in names if "{" not in LIMITS[name]} - without
    # what no setting can change: a fit needs so many samples, a map one curve
    assert fixed == {
        "too_few_samples", "gap", "constant", "no_retract_baseline", "no_curve_used"
    }  # fmt: skip
    assert limit_words("tilt", MechanicsSettings(tilt_share=0.2)) == "limit: 20.0 % of the drive"


def test_the_verdict_in_words(map_of):
    modulus = 100 * 1.5 ** np.linspace(0, 1, 64)
    verdict = judge_map(map_of(modulus))
    words = verdict_words(verdict, 60, 64)
    assert words[0].startswith("60 of 64 curves count")
    assert "drifts along the scan (+50 %" in words[1]
    assert "gradient of the tissue" in words[1]
    assert words[2] == ""
