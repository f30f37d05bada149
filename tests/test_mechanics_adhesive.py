import numpy as np
import pytest

from engine.mechanics import Tip, contact_force
from engine.mechanics.adhesive import ADHESIVE_MODELS, adhesive_curve, register_adhesive
from engine.mechanics.adhesive_fit import TWO_POINT, fit_adhesive, two_point_jkr, two_points_of

BEAD = Tip("paraboloid", 5000.0)
K, NU = 0.8, 0.5
TRUE = {"modulus_kPa": 30.0, "adhesion_nN": 10.0, "contact_z_nm": 2000.0}


def curve(model, branch, samples=2000, noise=0.0, tip=BEAD, seed=0, **true):
    z = np.linspace(0.0, 3000.0, samples)
    d = adhesive_curve(
        z,
        model=model,
        tip=tip,
        spring_constant_N_per_m=K,
        poisson_ratio=NU,
        branch=branch,
        **(TRUE | true),
    )
    d = d + 0.002 * z - 7.0 + noise * np.random.default_rng(seed).standard_normal(samples)
    return (z, d) if branch == "approach" else (z[::-1], d[::-1])


def fit(z, d, model, branch, tip=BEAD):
    return fit_adhesive(
        z, d, model=model, tip=tip, spring_constant_N_per_m=K, poisson_ratio=NU, branch=branch
    )


def jkr(pull_off=10.0, reduced=4e-5):
    return ADHESIVE_MODELS["jkr"].branch(reduced, pull_off, 500.0, BEAD)


def test_jkr_between_its_limits():
    depth, force = jkr()
    # the lowest force is the pull-off
    assert force.min() == pytest.approx(-10.0, rel=1e-4)
    # without adhesion it is Hertz
    depth, force = jkr(1e-9)
    np.testing.assert_allclose(
        force[50:], 4e-5 * contact_force(depth[50:], BEAD), rtol=1e-3, atol=1e-6
    )
    # Johnson, Kendall and Roberts 1971: at zero load a^3 = 6 pi w R^2 / K, F_ad = 1.5 pi w R
    depth, force = jkr()
    a = np.interp(0.0, force, np.sqrt(BEAD.radius_nm * np.maximum(depth, 0) * 3.0))
    assert a**3 == pytest.approx(4 * 10.0 * BEAD.radius_nm / (4 / 3 * 4e-5), rel=1e-3)


def test_dmt_is_hertz_less_its_pull_off():
    depth, force = ADHESIVE_MODELS["dmt"].branch(4e-5, 10.0, 500.0, BEAD)
    np.testing.assert_allclose(force + 10.0, 4e-5 * contact_force(depth, BEAD), atol=1e-12)


def test_work_of_adhesion():
    # F_ad = 2 pi R w (DMT) and 1.5 pi R w (JKR)
    assert ADHESIVE_MODELS["dmt"].work(2 * np.pi, 1.0) == pytest.approx(1.0)
    assert ADHESIVE_MODELS["jkr"].work(1.5 * np.pi, 1.0) == pytest.approx(1.0)


@pytest.mark.parametrize("model", ["dmt", "jkr"])
@pytest.mark.parametrize("branch", ["approach", "retract"])
@pytest.mark.parametrize("modulus", [30.0, 300.0])
def test_noise_free_truth_is_recovered(model, branch, modulus):
    z, d = curve(model, branch, modulus_kPa=modulus)
    found = fit(z, d, model, branch)
    assert found.modulus_kPa == pytest.approx(modulus, rel=5e-3)
    assert found.adhesion_nN == pytest.approx(10.0, rel=5e-3)
    assert found.contact_z_nm == pytest.approx(2000.0, abs=1.0)
    assert found.baseline_slope == pytest.approx(0.002, abs=1e-5)
    assert np.median(np.abs(found.model_nm - d)) < 0.02


@pytest.mark.parametrize("model", ["dmt", "jkr"])
def test_intervals_cover(model):
    off, pull = [], []
    for seed in range(60):
        found = fit(*curve(model, "retract", 800, 0.3, seed=seed), model, "retract")
        off.append(np.log(found.modulus_kPa / 30.0) / found.log_modulus_se)
        pull.append((found.adhesion_nN - 10.0) / found.adhesion_se_nN)
    # white noise, 60 curves: 95 % within two standard errors of a share
    assert np.mean(np.abs(off) < 1.96) >= 0.88
    assert np.mean(np.abs(pull) < 1.96) >= 0.88
    assert abs(np.mean(off)) < 0.5


def test_the_wrong_law_shows_in_its_residuals():
    z, d = curve("jkr", "retract", noise=0.1)
    right, wrong = (fit(z, d, model, "retract").rmse_nN for model in ("jkr", "dmt"))
    assert right == pytest.approx(0.1 * K, rel=0.1)
    assert wrong > 2 * right


def test_two_points_of_the_exact_branch():
    # the factor (reference sheet: 1.2709) and the formula against the law itself
    assert pytest.approx(1.2709, abs=1e-4) == TWO_POINT
    for pull_off, reduced in ((10.0, 4e-5), (1.0, 4e-4)):
        depth, force = jkr(pull_off, reduced)
        low = np.argmin(force)
        zero = np.interp(0.0, force[low:], depth[low:])
        found = two_point_jkr(zero, depth[low], -force[low], BEAD.radius_nm, NU)
        assert found == pytest.approx(reduced * (1 - NU**2) * 1e6, rel=0.01)
    assert np.isnan(two_point_jkr(1.0, 2.0, 5.0, 5000.0, 0.5))
    assert np.isnan(two_point_jkr(2.0, 1.0, 0.0, 5000.0, 0.5))


def test_two_points_of_a_curve():
    z, d = curve("jkr", "retract", noise=0.1)
    modulus, pull = two_points_of(z, d, tip=BEAD, spring_constant_N_per_m=K, poisson_ratio=NU)
    assert pull == pytest.approx(10.0, rel=0.03)
    assert modulus == pytest.approx(30.0, rel=0.15)


def test_hopeless_branches_give_no_numbers():
    z = np.linspace(0, 1000, 200)
    for d in (np.zeros(200), np.full(200, np.nan), -z, np.r_[np.zeros(195), np.arange(5.0)]):
        found = fit(z, d, "dmt", "approach")
        assert np.isnan(found.modulus_kPa)
        modulus, _ = two_points_of(z, d, tip=BEAD, spring_constant_N_per_m=K, poisson_ratio=NU)
        assert np.isnan(modulus)
    assert np.isnan(fit(z[:4], z[:4], "jkr", "retract").modulus_kPa)
    assert np.isnan(fit(z, np.full(200, np.nan), "jkr", "retract").modulus_kPa)


def test_wrong_wishes_are_named():
    z = np.linspace(0, 1000, 200)
    with pytest.raises(ValueError, match="model must be one of"):
        fit(z, z, "glue", "retract")
    with pytest.raises(ValueError, match="written for"):
        fit(z, z, "jkr", "retract", Tip("cone", None, 20.0))
    with pytest.raises(ValueError, match="registered already"):
        register_adhesive(ADHESIVE_MODELS["jkr"])
    assert all(m.validity.endswith(".") for m in ADHESIVE_MODELS.values())
