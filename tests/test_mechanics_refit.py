import curve_simulator
import numpy as np
import pytest

from engine.mechanics import (
    Layer,
    MechanicsSettings,
    Tip,
    compare_fits,
    contact_profile,
    explain_curve,
    fit_curves,
    modulus_at_contact,
    refit_map,
)
from engine.mechanics.refit import cut_at_depth
from engine.mechanics.tables import law_force

BEAD = Tip("sphere", 5000.0)
COMMON = {"tip": BEAD, "spring_constant_N_per_m": 0.8, "poisson_ratio": 0.5}


def refit(z, d, **more):
    return refit_map(z, d, **(COMMON | more))


def test_nothing_changed_changes_nothing():
    z, d, _ = curve_simulator.curves(8, 500)
    before = fit_curves(z, d, **COMMON)
    change = compare_fits(before, refit(z, d, before=before))
    np.testing.assert_array_equal(change.ratio, 1.0)
    assert change.median_before_kPa == change.median_after_kPa
    assert change.used_after == 8
    again = refit(z, d, before=before)
    np.testing.assert_allclose(again.log_modulus_se, before.log_modulus_se, rtol=1e-3)


def test_poisson_ratio_and_radius_act_by_their_formulas():
    z, d, _ = curve_simulator.curves(6, 500)
    before = fit_curves(z, d, **COMMON)
    change = compare_fits(before, refit(z, d, poisson_ratio=0.3, before=before))
    np.testing.assert_allclose(change.ratio, (1 - 0.09) / (1 - 0.25))
    wide, narrow = (
        refit(z, d, tip=Tip("paraboloid", r), before=before).modulus_kPa for r in (2e4, 5e3)
    )
    # E sqrt(R) is what a paraboloid's curve gives
    np.testing.assert_allclose(wide / narrow, 0.5, rtol=1e-4)


def test_depth_is_cut_where_the_fit_reaches_it():
    z, d, _ = curve_simulator.curves(6, 800, white_nm=0.02)
    whole = fit_curves(z, d, **COMMON)
    at_200 = refit(z, d, depth_nm=200.0, before=whole)
    np.testing.assert_allclose(at_200.indentation_nm, 200.0, atol=4.0)
    assert np.all(at_200.indentation_nm <= 200.5)
    half = refit(z, d, depth_share=0.5, before=whole)
    np.testing.assert_allclose(half.indentation_nm / whole.indentation_nm, 0.5, atol=0.01)
    np.testing.assert_allclose(half.modulus_kPa, 300.0, rtol=0.02)
    deeper = refit(z, d, depth_nm=1e6, before=whole)
    np.testing.assert_array_equal(deeper.modulus_kPa, whole.modulus_kPa)


@pytest.mark.parametrize(
    "tip", [BEAD, Tip("cone", 30.0, 20.0), Tip("truncated_cone", 30.0, 20.0)], ids=lambda t: t.shape
)
def test_given_true_contacts_give_the_true_modulus(tip):
    k, drive = (0.8, 3000.0) if tip is BEAD else (0.05, 300.0)
    z, d, contact = curve_simulator.curves(5, 600, tip=tip, k=k, drive_nm=drive, white_nm=0)
    d = d + 0.01 * z - 30.0
    found = refit(z, d, tip=tip, spring_constant_N_per_m=k, contact=contact)
    np.testing.assert_allclose(found.modulus_kPa, 300.0, rtol=1e-3)
    np.testing.assert_allclose(found.baseline_slope, 0.01, atol=1e-4)
    free = fit_curves(z, d, tip=tip, spring_constant_N_per_m=k, poisson_ratio=0.5)
    np.testing.assert_allclose(found.indentation_nm, free.indentation_nm, rtol=1e-3)
    np.testing.assert_allclose(found.stiffness_ratio, free.stiffness_ratio, rtol=2e-3)
    assert np.isnan(found.log_modulus_se).all()


def test_given_the_fitted_contacts_the_fit_is_the_fit():
    z, d, _ = curve_simulator.curves(7, 500)
    d[2, 450:] = np.nan
    free = fit_curves(z, d, **COMMON)
    held = refit(z, d, contact=free.contact_z_nm)
    np.testing.assert_allclose(held.modulus_kPa, free.modulus_kPa, rtol=1e-4)
    np.testing.assert_allclose(held.rmse_nN, free.rmse_nN, rtol=2e-3)


def test_a_threshold_reads_the_contact_late_and_the_modulus_high():
    z, d, contact = curve_simulator.curves(16, 2000, modulus_kPa=30.0)
    late = refit(z, d, contact="threshold")
    assert np.all(late.contact_z_nm > contact)
    assert np.median(late.modulus_kPa) > 30.5


def test_dragging_the_contact():
    z, d, _ = curve_simulator.curves(4, 2000)
    told = explain_curve(z, d[1], **COMMON)
    own = told.fit.contact_z_nm[0]
    best = modulus_at_contact(told, own)
    assert best.modulus_ratio == pytest.approx(1, abs=1e-4)
    assert best.misfit == pytest.approx(1, abs=1e-3)
    np.testing.assert_allclose(best.model_nm, told.model_nm, atol=1e-3)
    early, late = modulus_at_contact(told, own - 60), modulus_at_contact(told, own + 60)
    assert early.modulus_kPa < best.modulus_kPa < late.modulus_kPa
    assert min(early.misfit, late.misfit) > 1.5
    for gone in (z[0] - 5, z[-1] + 5, z[-1], np.nan):
        assert np.isnan(modulus_at_contact(told, gone).modulus_kPa)
    contacts = own + np.linspace(-100, 100, 21)
    modulus, misfit = contact_profile(told, contacts)
    assert np.all(np.diff(modulus) > 0)
    assert np.argmin(misfit) == 10
    assert modulus[4] == pytest.approx(modulus_at_contact(told, own - 60).modulus_kPa)


def test_hopeless_curves_stay_hopeless():
    z, d, contact = curve_simulator.curves(4, 300)
    d[1], d[2] = np.nan, 0.0
    for how in ("threshold", contact):
        found = refit(z, d, contact=how)
        assert np.isfinite(found.modulus_kPa).tolist() == [True, False, False, True]
        assert found.used.tolist() == [True, False, False, True]
    told = explain_curve(z, d[2], **COMMON)
    assert np.isnan(modulus_at_contact(told, 1000.0).modulus_ratio)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"depth_nm": 1.0, "depth_share": 0.5}, "give one"),
        ({"depth_nm": -1.0}, "depth_nm"),
        ({"depth_share": 1.5}, "depth_share"),
        ({"contact": "guess"}, "contact must be"),
        ({"contact": [1.0]}, "positions"),
    ],
)
def test_wrong_wishes_are_named(change, word):
    z, d, _ = curve_simulator.curves(3, 64)
    with pytest.raises(ValueError, match=word):
        refit(z, d, **change)
    with pytest.raises(ValueError, match="curves"):
        compare_fits(refit(z, d), refit(z, d[:2]))


def test_settings_reach_the_refit():
    z, d, _ = curve_simulator.curves(3, 300)
    found = refit(z, d, settings=MechanicsSettings(free_exponent=False))
    assert np.isnan(found.exponent).all()


@pytest.mark.parametrize("share", [0.35, 0.7])
def test_a_share_of_the_depth_is_fitted_with_its_own_contact(share):
    z, d, contact = curve_simulator.curves(40, 600, white_nm=0.1)
    back = d[:, ::-1] - np.where(z[::-1] < contact[:, None] - 5, 0.0, 0.4)
    way = {"retract_z_nm": z[::-1], "retract_deflection_nm": back}
    whole = fit_curves(z, d, **COMMON, **way)
    part = fit_curves(z, d, depth_share=share, **COMMON, **way)
    # a sample or two less than the share, never more
    ratio = part.indentation_nm / whole.indentation_nm
    assert np.all((ratio > share - 0.02) & (ratio < share * 1.01))
    assert part.depth_share == share
    # contact and baseline are fitted anew to fewer samples: other numbers, as right, less sure
    assert np.all(part.contact_z_nm != whole.contact_z_nm)
    assert np.all(part.log_modulus_se > whole.log_modulus_se)
    off = np.log(part.modulus_kPa / 300.0) / part.log_modulus_se
    assert np.mean(np.abs(off) < 1.96) >= 0.85
    # the way back is the whole curve's
    np.testing.assert_allclose(part.adhesion_nN, whole.adhesion_nN, atol=0.02)
    np.testing.assert_allclose(part.dissipation, whole.dissipation, atol=0.02)
    # by hand: the same samples alone
    alone = fit_curves(z, cut_at_depth(z, d, whole, share * whole.indentation_nm), **COMMON)
    np.testing.assert_allclose(part.modulus_kPa, alone.modulus_kPa, rtol=1e-3)
    chunks = fit_curves(z, d, depth_share=share, chunk_curves=17, **COMMON)
    np.testing.assert_array_equal(chunks.modulus_kPa, part.modulus_kPa)


def test_a_share_matters_where_the_law_is_not_the_sample_s():
    layer = Layer(20e3, 0.5)

    def force(depth, tip):
        return law_force(depth, tip, layer)

    z, d, _ = curve_simulator.curves(6, 800, modulus_kPa=30.0, white_nm=0.02, force=force)
    shares = (0.3, 0.6, 1.0)
    moduli = [np.median(fit_curves(z, d, depth_share=s, **COMMON).modulus_kPa) for s in shares]
    assert moduli[0] < moduli[1] < moduli[2]
    told = explain_curve(z, d[0], depth_share=0.3, **COMMON)
    assert told.fit.modulus_kPa[0] == pytest.approx(moduli[0], rel=0.02)
    beyond = told.indentation_nm > told.fit.indentation_nm[0] * 1.02
    assert beyond.sum() > 50
    assert np.isnan(told.residual_nm[beyond]).all()
    assert np.isfinite(told.model_nm).all()
    assert np.nanstd(told.residual_nm) < 0.03
    # a dragged contact works on the same samples
    moved = modulus_at_contact(told, float(told.fit.contact_z_nm[0]))
    assert moved.modulus_ratio == pytest.approx(1.0, rel=1e-3)


def test_a_share_that_cannot_be_is_named():
    z, d, _ = curve_simulator.curves(2, 100)
    for share in (0.0, 1.2, np.nan):
        with pytest.raises(ValueError, match="depth_share"):
            fit_curves(z, d, depth_share=share, **COMMON)
