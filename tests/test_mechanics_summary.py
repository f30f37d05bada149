from dataclasses import replace

import curve_simulator
import numpy as np
import pytest

from engine.across import median_with_interval
from engine.mechanics import (
    FLAGS,
    MAP_FLAGS,
    Layer,
    MechanicsSettings,
    Tip,
    explain_curve,
    fit_curves,
    model_curve,
    shared_uncertainty,
    summarise_map,
    systematic_uncertainty,
)
from engine.mechanics.tables import law_force

BEAD = Tip("sphere", 5000.0)


def fit(z, d, tip=BEAD, k=0.8, **more):
    return fit_curves(z, d, tip=tip, spring_constant_N_per_m=k, poisson_ratio=0.5, **more)


def test_summary_counts_and_medians():
    z, d, _ = curve_simulator.curves(20, 300)
    d[3] = np.nan
    d[4] = np.random.default_rng(0).standard_normal(300)
    found = fit(z, d)
    said = summarise_map(found)
    used = found.modulus_kPa[found.used]
    assert (said.curves_total, said.curves_used) == (19, 18)
    assert said.median_kPa == np.median(used)
    assert said.geomean_kPa == pytest.approx(np.exp(np.mean(np.log(used))))
    assert said.iqr_kPa == pytest.approx(np.subtract(*np.quantile(used, [0.75, 0.25])))
    interval = median_with_interval(used, 0.95)
    assert (said.ci_low_kPa, said.ci_high_kPa) == (interval.low, interval.high)
    assert said.ci_low_kPa < said.median_kPa < said.ci_high_kPa
    counts = dict(zip((f.name for f in FLAGS), said.counts, strict=True))
    assert counts["not_taken"] == 1
    assert counts["no_contact"] == 1
    assert said.flags == ()


def test_maps_say_when_little_is_left():
    z, d, _ = curve_simulator.curves(10, 300)
    d[4:] = np.random.default_rng(0).standard_normal((6, 300))
    said = summarise_map(fit(z, d))
    assert {"few_curves_used", "no_interval", "no_contact"} <= set(said.flags)
    assert np.isnan(said.ci_low_kPa)
    assert np.isfinite(said.median_kPa)
    none = summarise_map(fit(z, d[4:]))
    assert "no_curve_used" in none.flags
    assert np.isnan(none.median_kPa)
    assert none.curves_used == 0
    empty = summarise_map(fit(z, d[:0]))
    assert empty.curves_total == 0
    assert {f.name for f in MAP_FLAGS}.isdisjoint(f.name for f in FLAGS)


def test_shared_uncertainty_of_a_paraboloid_in_closed_form():
    tip = Tip("paraboloid", 5000.0)
    z, d, _ = curve_simulator.curves(5, 300, tip=tip)
    found = fit(z, d, tip)
    s = MechanicsSettings(sensitivity_rel_sd=0.02, radius_rel_sd=0.04)
    parts = shared_uncertainty(found, spring_constant_rel_sd=0.1, settings=s)
    stiffness = np.median(found.stiffness_ratio)
    assert parts.spring_constant == 0.1
    assert parts.radius == pytest.approx(0.5 * 0.04, rel=1e-6)
    assert parts.half_angle == 0
    assert parts.leverage == pytest.approx(1 + stiffness)
    assert parts.total == pytest.approx(
        np.sqrt(0.1**2 + 0.02**2 + ((1 + stiffness) * 0.02) ** 2), rel=1e-6
    )
    assert systematic_uncertainty(found, spring_constant_rel_sd=0.1, settings=s) == parts.total


def test_shared_uncertainty_of_a_cone_in_closed_form():
    tip = Tip("cone", None, 20.0)
    z, d, _ = curve_simulator.curves(5, 300, tip=tip, k=0.05, drive_nm=300.0, white_nm=0.02)
    parts = shared_uncertainty(fit(z, d, tip, 0.05), settings=MechanicsSettings())
    assert parts.half_angle == pytest.approx(2 / np.sin(np.radians(40)) * np.radians(1), rel=1e-5)
    assert parts.radius == 0


def test_leverage_of_the_sensitivity_is_real():
    # a sensitivity 1 % off moves E by (1 + S_c/k) %, k known independently (reference sheet)
    for modulus in (100.0, 1000.0):
        z, d, _ = curve_simulator.curves(3, 600, modulus_kPa=modulus, white_nm=0.02)
        plain, off = fit(z, d), fit(z, 1.001 * d)
        slope = np.log(off.modulus_kPa / plain.modulus_kPa) / np.log(1.001)
        np.testing.assert_allclose(slope, 1 + plain.stiffness_ratio, rtol=0.12)


def test_draws_agree_with_propagation_where_leverage_is_low():
    z, d, _ = curve_simulator.curves(5, 300, modulus_kPa=30.0)
    found = fit(z, d)
    first = systematic_uncertainty(found)
    drawn = systematic_uncertainty(found, settings=MechanicsSettings(systematic_draws=20000))
    assert drawn == pytest.approx(first, rel=0.03)
    nothing = replace(found, used=np.zeros(5, bool))
    assert np.isnan(systematic_uncertainty(nothing))


def test_explanation_of_a_curve_that_obeys_its_law():
    z, d, _ = curve_simulator.curves(40, 600)
    found = fit(z, d, retract_z_nm=z[::-1], retract_deflection_nm=d[:, ::-1])
    told = explain_curve(
        z,
        d[7],
        tip=BEAD,
        spring_constant_N_per_m=0.8,
        poisson_ratio=0.5,
        retract_z_nm=z[::-1],
        retract_deflection_nm=d[7, ::-1],
        noise=found.noise,
    )
    assert told.fit.modulus_kPa[0] == found.modulus_kPa[7]
    assert told.fit.log_modulus_se[0] == pytest.approx(found.log_modulus_se[7], rel=0.02)
    np.testing.assert_allclose(told.model_nm, model_curve(z, found, 7))
    np.testing.assert_allclose(told.model_nm + told.residual_nm, d[7])
    assert told.residual_nm.std() == pytest.approx(0.15, rel=0.1)
    deep = told.indentation_nm > 20
    np.testing.assert_allclose(told.force_nN[deep], told.model_force_nN[deep], atol=2.0)
    assert told.indentation_nm[-1] == pytest.approx(found.indentation_nm[7], abs=1)
    np.testing.assert_allclose(told.retract_force_nN, told.force_nN[::-1])
    off = np.log(told.scan_modulus_kPa / told.scan_modulus_kPa[-1])
    assert np.all(np.abs(off) < 3 * told.scan_se_kPa / told.scan_modulus_kPa)
    assert np.all(np.diff(told.scan_indentation_nm) > 0)
    assert told.scan_spread < 0.02


def test_depth_scan_drifts_where_the_law_is_not_the_samples():
    layer = Layer(10e3, 0.5)
    z, d, _ = curve_simulator.curves(
        1, 800, modulus_kPa=30.0, white_nm=0.05, force=lambda x, tip: law_force(x, tip, layer)
    )
    common = {"tip": BEAD, "spring_constant_N_per_m": 0.8, "poisson_ratio": 0.5}
    wrong = explain_curve(z, d[0], **common)
    # reference sheet, layer of 10 um: from 1.09 at 0.3 of the depth to 1.17 at all of it
    assert wrong.scan_spread > 0.05
    assert wrong.scan_modulus_kPa[0] < wrong.scan_modulus_kPa[-1]
    right = explain_curve(z, d[0], thickness_um=10.0, **common)
    assert right.scan_spread < 0.03


def test_a_hopeless_curve_is_explained_without_numbers():
    z = np.linspace(0, 1000, 200)
    told = explain_curve(z, np.zeros(200), tip=BEAD, spring_constant_N_per_m=0.8, poisson_ratio=0.5)
    assert np.isnan(told.model_nm).all()
    assert len(told.scan_modulus_kPa) == 0
    assert np.isnan(told.scan_spread)
    assert len(told.retract_force_nN) == 0
