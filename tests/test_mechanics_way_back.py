"""The way back of a map: works, pull-off, two-point JKR, stretches."""

import sys

import curve_simulator
import numpy as np
import pytest

from engine.mechanics import (
    MechanicsSettings,
    Tip,
    adhesive_curve,
    curve_stretches,
    fit_curves,
    map_stretches,
    stretch_model,
    tabor_parameter,
    two_points_of,
)
from engine.mechanics.stretches import BOLTZMANN, worm_like_force

TIP = Tip("paraboloid", 5000.0)
K, NU, E, PULL = 0.8, 0.5, 60.0, 6.0
KT = BOLTZMANN * 298.15


def both_ways(count=8, adhesion=PULL, white_nm=0.15, samples=2000, seed=0):
    """Approach without adhesion, way back by JKR from the same depth, contact at 2000 nm."""
    rng = np.random.default_rng(seed)
    z = np.linspace(0.0, 3000.0, samples)
    push = curve_simulator.exact_push(z - 2000.0, E, K, TIP, NU)
    if adhesion:
        back = adhesive_curve(
            z[::-1], model="jkr", tip=TIP, spring_constant_N_per_m=K, poisson_ratio=NU,
            modulus_kPa=E, adhesion_nN=adhesion, contact_z_nm=2000.0, branch="retract",
        )  # fmt: skip
    else:
        back = push[::-1]
    d = push + white_nm * rng.standard_normal((count, samples))
    d_back = back + white_nm * rng.standard_normal((count, samples))
    return z, d, z[::-1].copy(), d_back


def fitted(z, d, z_back, d_back, tip=TIP, **more):
    return fit_curves(
        z, d, tip=tip, spring_constant_N_per_m=K, poisson_ratio=NU,
        retract_z_nm=z_back, retract_deflection_nm=d_back, **more,
    )  # fmt: skip


def test_loading_work_is_two_fifths_of_force_times_depth():
    """Integral of F = c delta^1.5 (Hertz 1882): 2/5 F delta."""
    fits = fitted(*both_ways(adhesion=0.0))
    closed = 0.4 * fits.force_nN * fits.indentation_nm
    assert np.allclose(fits.loading_work_aJ, closed, rtol=5e-3)
    assert np.all(np.abs(fits.lost_work_aJ) < 5e-3 * closed)
    assert np.allclose(fits.lost_work_aJ / fits.loading_work_aJ, fits.dissipation)
    assert np.isnan(fits.jkr_modulus_kPa).all()
    assert np.isnan(fits.pull_off_nm).all()


def jkr_points():
    """JKR in closed form: separation between zero force and pull-off where the drive lets go."""
    reduced = E * 1e-6 / (1 - NU**2)
    stiff, radius = 4 * reduced / 3, TIP.radius_nm
    pull = np.sqrt(6 * np.pi * (PULL / (1.5 * np.pi * radius)) * stiff)
    a = np.linspace(1e-3, 1.0, 400_000) * 1500.0
    force = stiff * a**3 / radius - pull * a**1.5
    depth = a * a / radius - 2 / 3 * pull / stiff * np.sqrt(a)
    zero = depth[np.argmin(np.abs(force) + (a < 50) * 1e9)]
    return zero - depth[np.argmin(force)], force.min()


def test_two_point_jkr_finds_the_modulus_and_the_separation():
    z, d, z_back, d_back = both_ways()
    fits = fitted(z, d, z_back, d_back)
    apart, lowest = jkr_points()
    assert lowest == pytest.approx(-PULL, rel=1e-4)
    assert np.median(fits.pull_off_nm) == pytest.approx(apart, rel=0.06)
    assert np.median(fits.adhesion_nN) == pytest.approx(PULL, rel=0.03)
    # the lowest force is a flat bottom: its place, and with it the modulus, is known to some 10 %
    assert np.median(fits.jkr_modulus_kPa) == pytest.approx(E, rel=0.12)
    slow = [
        two_points_of(z_back, row, tip=TIP, spring_constant_N_per_m=K, poisson_ratio=NU)[0]
        for row in d_back
    ]
    assert np.median(fits.jkr_modulus_kPa) == pytest.approx(np.median(slow), rel=0.12)


def test_work_of_adhesion_is_the_area_of_the_pull():
    z, d, z_back, d_back = both_ways()
    fits = fitted(z, d, z_back, d_back)
    clean = adhesive_curve(
        z_back, model="jkr", tip=TIP, spring_constant_N_per_m=K, poisson_ratio=NU,
        modulus_kPa=E, adhesion_nN=PULL, contact_z_nm=2000.0, branch="retract",
    )  # fmt: skip
    area = -np.trapezoid(np.minimum(clean, 0.0), -z_back) * K
    assert np.median(fits.adhesion_work_aJ) == pytest.approx(area, rel=0.03)


def test_a_pull_within_the_noise_has_no_place():
    z, d, z_back, d_back = both_ways(adhesion=1.0, white_nm=0.3)
    fits = fitted(z, d, z_back, d_back)
    assert np.isnan(fits.jkr_modulus_kPa).all()
    loose = fitted(z, d, z_back, d_back, settings=MechanicsSettings(jkr_sigma=1.0))
    assert np.isfinite(loose.pull_off_nm).any()
    cone = fitted(*both_ways(), tip=Tip("cone", None, 80.0))
    assert np.isnan(cone.jkr_modulus_kPa).all()


def test_tabor_s_parameter_by_hand():
    # R 5 um, F_ad 0.5 nN, E* 80 kPa: w = 2.12e-5 J/m2; (R w^2 / (E*^2 z0^3))^(1/3) in SI
    work = 0.5e-9 / (1.5 * np.pi * 5e-6)
    by_hand = (5e-6 * work**2 / (80e3**2 * 0.3e-9**3)) ** (1 / 3)
    assert tabor_parameter(5000.0, 0.5, 60.0, 0.5) == pytest.approx(by_hand)


def with_chain(contour=220.0, stiff=0.4, reach=0.9, **more):
    """Ways back with one worm-like chain each, held from the contact to its rupture."""
    z, d, z_back, d_back = both_ways(adhesion=0.0, white_nm=0.02, **more)
    out = 2000.0 - z_back
    separation = np.linspace(0.5, reach * contour, 4000)
    pull = KT / stiff * worm_like_force(separation / contour)
    drive = separation + pull / K  # out of contact the probe bends down: s = out - pull / k
    held = (out > drive[0]) & (out < drive[-1])
    d_back[:, held] -= np.interp(out[held], drive, pull) / K
    return z, d, z_back, d_back


def test_a_planted_chain_is_found_and_fitted():
    z, d, z_back, d_back = with_chain()
    fits = fitted(z, d, z_back, d_back)
    found = map_stretches(z_back, d_back, fits)
    assert found.counts.tolist() == [1] * 8
    assert found.curve.tolist() == list(range(8))
    worms = [chains[0] for chains in found.fitted]
    assert [c.model for c in found.fitted[0]] == ["worm_like", "freely_jointed"]
    inside = [w.contour_low_nm <= 220.0 <= w.contour_high_nm for w in worms]
    assert np.median([w.contour_nm for w in worms]) == pytest.approx(220.0, rel=0.03)
    assert sum(inside) >= 5
    assert np.median([w.persistence_nm for w in worms]) == pytest.approx(0.4, rel=0.15)
    assert worms[0].rupture_extension_nm == pytest.approx(0.9 * 220.0, rel=0.05)


def test_a_chain_that_still_holds_does_not_bend_the_baseline():
    """Its work is work of the pull; pull-off and lost work stay what they are without it."""
    z, d, z_back, d_back = with_chain(contour=900.0, stiff=0.05)
    fits = fitted(z, d, z_back, d_back)
    share = np.linspace(0.0, 0.9, 20_000)
    chain = np.trapezoid(KT / 0.05 * worm_like_force(share), 900.0 * share)
    assert np.median(fits.adhesion_work_aJ) == pytest.approx(chain, rel=0.03)
    assert np.all(np.abs(fits.lost_work_aJ) < 0.01 * fits.loading_work_aJ)


def test_the_surface_letting_go_is_no_stretch():
    z, d, z_back, d_back = both_ways()
    found = map_stretches(z_back, d_back, fitted(z, d, z_back, d_back))
    assert found.counts.tolist() == [0] * 8
    assert len(found.fitted) == 0


def test_noise_alone_has_no_stretches():
    rng = np.random.default_rng(7)
    x = np.linspace(1.0, 900.0, 1500)
    noise = curve_simulator.pink(rng, (200, 1500), 1e-5) + 0.01 * rng.standard_normal((200, 1500))
    assert sum(len(curve_stretches(x, row)) for row in noise) <= 1


def test_all_are_counted_and_a_bounded_number_fitted():
    z, d, z_back, d_back = with_chain()
    fits = fitted(z, d, z_back, d_back)
    found = map_stretches(z_back, d_back, fits, MechanicsSettings(stretch_fits_max=3))
    assert found.counts.sum() == 8
    assert len(found.fitted) == 3
    assert found.curve.tolist() == [0, 1, 2]


def test_chunks_change_nothing(monkeypatch):
    z, d, z_back, d_back = with_chain()
    fits = fitted(z, d, z_back, d_back)
    whole = map_stretches(z_back, d_back, fits, MechanicsSettings(stretch_fits_max=5))
    # the package's function has the module's name
    module = sys.modules["engine.mechanics.map_stretches"]
    monkeypatch.setattr(module, "CHUNK_CURVES", 3)
    parts = map_stretches(z_back, d_back, fits, MechanicsSettings(stretch_fits_max=5))
    assert parts.counts.tolist() == whole.counts.tolist()
    assert parts.curve.tolist() == whole.curve.tolist() == [0, 1, 2, 3, 4]
    assert parts.fitted == whole.fitted


def test_the_drawn_chain_is_the_fitted_one():
    z, d, z_back, d_back = with_chain()
    found = map_stretches(z_back, d_back, fitted(z, d, z_back, d_back))
    worm = found.fitted[0][0]
    x = np.array([50.0, 120.0, 190.0])
    assert stretch_model(worm, x) == pytest.approx(
        -KT / worm.persistence_nm * worm_like_force(x / worm.contour_nm)
    )
    assert np.isnan(stretch_model(worm, [2 * worm.contour_nm])).all()
