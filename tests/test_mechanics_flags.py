import curve_simulator
import numpy as np
import pytest

from engine.flags import names_in
from engine.mechanics import FLAGS, MechanicsSettings, Tip, fit_curves

BEAD = Tip("sphere", 5000.0)
AT = 3
DRIVE = 3000.0


def fit(z, d, tip=BEAD, k=0.8, **more):
    return fit_curves(z, d, tip=tip, spring_constant_N_per_m=k, poisson_ratio=0.5, **more)


def base(count=8, samples=500, **more):
    z, d, contact = curve_simulator.curves(count, samples, **more)
    return np.tile(z, (count, 1)), d, contact


def names(found):
    return [set(filter(None, names_in(FLAGS, int(mask)).split(";"))) for mask in found.flags]


def no_contact(z, d, contact):
    d[AT] = 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


def drifting_no_contact(z, d, contact):
    rng = np.random.default_rng(2)
    d[AT] = 0.15 * rng.standard_normal(d.shape[1])
    d[AT] += curve_simulator.pink(rng, (d.shape[1],), 0.15**2 * 0.1)


def saturated(z, d, contact):
    d[AT] = np.minimum(d[AT], 0.7 * d[AT].max())


def saturated_below(z, d, contact):
    d[AT] = np.maximum(d[AT], 20.0)


def jump_before(z, d, contact):
    d[AT, 150:] += 8.0


def jump_in_contact(z, d, contact):
    d[AT, 430:] -= 8.0


def spike(z, d, contact):
    d[AT, 450:452] += 30.0


def constant(z, d, contact):
    d[AT] = 4.2


def zero(z, d, contact):
    d[AT] = 0.0


def gap(z, d, contact):
    d[AT, 100:110] = np.nan


def two_samples(z, d, contact):
    d[AT, 2:] = np.nan


def one_sample(z, d, contact):
    d[AT, 1:] = np.nan


def not_taken(z, d, contact):
    d[AT] = np.nan


def drive_reversed(z, d, contact):
    z[AT] = z[AT, ::-1].copy()
    d[AT] = d[AT, ::-1].copy()


def deflection_reversed(z, d, contact):
    d[AT] *= -1


def metres_for_nanometres(z, d, contact):
    z[AT] *= 1e-9


def nanometres_for_metres(z, d, contact):
    z[AT] *= 1e9


def deflection_a_thousandfold(z, d, contact):
    d[AT] *= 1e3


def steeper_than_the_drive(z, d, contact):
    d[AT] *= 2.5


def contact_from_the_start(z, d, contact):
    z[AT] += contact[AT] - z[AT, 0] + 5.0
    d[AT] = curve_simulator.exact_push(z[AT] - contact[AT], 300.0, 0.8, BEAD, 0.5)
    d[AT] += 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


def short_baseline(z, d, contact):
    z[AT] += contact[AT] - z[AT, 0] - 300.0
    d[AT] = curve_simulator.exact_push(z[AT] - contact[AT], 300.0, 0.8, BEAD, 0.5)
    d[AT] += 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


def shallow(z, d, contact):
    d[AT] = curve_simulator.exact_push(z[AT] - z[AT, -1] + 40.0, 3e4, 0.8, BEAD, 0.5)
    d[AT] += 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


def weak(z, d, contact):
    d[AT] = curve_simulator.exact_push(z[AT] - contact[AT] - 500, 3.0, 0.8, BEAD, 0.5)
    d[AT] += 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


def noisy(z, d, contact):
    d[AT] += 0.6 * np.random.default_rng(1).standard_normal(d.shape[1])


def tilt(z, d, contact):
    d[AT] += 0.04 * z[AT]


def bow(z, d, contact):
    x = (z[AT] - z[AT, 0]) / DRIVE
    d[AT] += 12.0 * x * (0.7 - x)


def snap_in(z, d, contact):
    out = contact[AT] - z[AT]
    d[AT, (out > 0) & (out < 80)] -= 6.0


def layered(z, d, contact):
    from engine.mechanics import Layer
    from engine.mechanics.tables import law_force

    d[AT] = curve_simulator.exact_push(
        z[AT] - contact[AT],
        30.0,
        0.8,
        BEAD,
        0.5,
        lambda depth, tip: law_force(depth, tip, Layer(8e3, 0.5)),
    )
    d[AT] += 0.15 * np.random.default_rng(1).standard_normal(d.shape[1])


CASES = [
    (no_contact, "no_contact", False, True),
    (drifting_no_contact, "no_contact", False, True),
    (saturated, "saturated", False, False),
    (saturated_below, "saturated", False, False),
    (jump_before, "jump", False, False),
    (jump_in_contact, "jump", False, False),
    (spike, "spike", True, False),
    (constant, "constant", False, True),
    (zero, "constant", False, True),
    (gap, "gap", False, True),
    (two_samples, "too_few_samples", False, True),
    (one_sample, "too_few_samples", False, True),
    (not_taken, "not_taken", False, True),
    (drive_reversed, "reversed", False, True),
    (deflection_reversed, "reversed", False, True),
    (metres_for_nanometres, "implausible_units", False, True),
    (nanometres_for_metres, "implausible_units", False, True),
    (deflection_a_thousandfold, "implausible_units", False, True),
    (steeper_than_the_drive, "implausible_units", False, True),
    (contact_from_the_start, "no_baseline", False, True),
    (short_baseline, "short_baseline", True, False),
    (shallow, "shallow", False, False),
    (weak, "weak", True, False),
    (noisy, "noisy_baseline", True, False),
    (tilt, "tilt", True, False),
    (bow, "sag", True, False),
    (snap_in, "snap_in", True, False),
    (layered, "exponent_off", True, False),
]


@pytest.mark.parametrize(
    ("spoil", "flag", "used", "withheld"), CASES, ids=[case[0].__name__ for case in CASES]
)
def test_a_flag_stands_where_it_should_and_nowhere_else(spoil, flag, used, withheld):
    z, d, contact = base()
    clean = fit(z, d)
    assert not any(names(clean))
    assert clean.used.all()
    spoil(z, d, contact)
    found = fit(z, d)
    assert flag in names(found)[AT]
    assert found.used[AT] == used
    assert np.isnan(found.modulus_kPa[AT]) == withheld
    assert np.isnan(found.modulus_se_kPa[AT]) == withheld
    others = np.arange(len(d)) != AT
    assert not any(names(found)[i] for i in np.flatnonzero(others))
    np.testing.assert_allclose(found.modulus_kPa[others], clean.modulus_kPa[others], rtol=1e-4)


def test_a_mended_spike_costs_little():
    z, d, contact = base()
    clean = fit(z, d)
    spike(z, d, contact)
    assert fit(z, d).modulus_kPa[AT] == pytest.approx(clean.modulus_kPa[AT], rel=2e-3)


def test_sound_maps_carry_no_fault_flags():
    rng = np.random.default_rng(5)
    for samples in (64, 256, 1000):
        z, d, _ = base(300, samples, white_nm=0.1)
        d += curve_simulator.pink(rng, d.shape, 0.1**2 * 0.06)
        found = fit(z, d)
        assert found.used.mean() > 0.995, samples
        spoiled = [one & {"jump", "saturated", "spike", "snap_in", "sag"} for one in names(found)]
        assert np.mean([bool(s) for s in spoiled]) < 0.01, samples


def test_untouched_curves_are_told_even_where_the_noise_drifts():
    rng = np.random.default_rng(6)
    z, d, _ = base(300, 128)
    d[50:] = 0.1 * rng.standard_normal((250, 128))
    d[50:] += curve_simulator.pink(rng, (250, 128), 0.1**2 * 0.06)
    found = fit(z, d)
    assert found.used[:50].all()
    assert found.used[50:].sum() <= 2


def test_stiff_contacts_are_graded():
    z, d, _ = base(4, 600, modulus_kPa=1200.0)
    assert all({"stiff_contact"} <= n and "not_quotable" not in n for n in names(fit(z, d)))
    z, d, _ = base(4, 600, modulus_kPa=12000.0)
    found = fit(z, d)
    assert all({"stiff_contact", "not_quotable"} <= n for n in names(found))


def test_adhesion_is_flagged_from_the_way_back():
    z, d, contact = base(6, 800)
    back = d + 0.1 * np.random.default_rng(1).standard_normal(d.shape)
    out = contact[AT] - z[AT]
    back[AT, (out > 0) & (out < 60)] -= 10.0
    found = fit(z, d, retract_z_nm=z[:, ::-1], retract_deflection_nm=back[:, ::-1])
    assert ["adhesion" in n for n in names(found)] == [i == AT for i in range(6)]


def test_a_way_back_that_never_lets_go_has_no_adhesion():
    z, d, contact = base(3, 400)
    stay = np.maximum(z[:, ::-1], contact[:, None] + 20.0)
    found = fit(z, d, retract_z_nm=stay, retract_deflection_nm=d[:, ::-1])
    assert all("no_retract_baseline" in n for n in names(found))
    assert np.isnan(found.adhesion_nN).all()
    assert np.isnan(found.dissipation).all()
    assert found.used.all()


def test_tips_are_judged_by_what_is_known_of_them():
    sharp = Tip("paraboloid", 20.0)
    z, d, _ = base(4, 300, tip=sharp, k=0.05, drive_nm=300.0, modulus_kPa=300.0, white_nm=0.05)
    found = fit(z, d, sharp, 0.05)
    assert all("deep_for_tip" in n for n in names(found))
    assert found.used.all()
    cone = Tip("cone", None, 18.0)
    z, d, _ = base(4, 300, tip=cone, k=0.05, drive_nm=300.0, white_nm=0.05)
    assert all("apex_unknown" in n for n in names(fit(z, d, cone, 0.05)))
    known = Tip("cone", 10.0, 18.0)
    assert not any("apex_unknown" in n for n in names(fit(z, d, known, 0.05)))
    # a pyramid's law is a sharp one, whatever its apex
    for radius, told in ((1.0, False), (10.0, True)):
        pyramid = fit(z, d, Tip("pyramid", radius, 18.0), 0.05)
        assert np.all((pyramid.indentation_nm > 20 * radius) != told)
        assert all(("apex_unknown" in n) == told for n in names(pyramid))


def test_how_far_an_apex_reaches():
    # the figures behind the limit of apex_unknown: capped cones fitted as sharp ones
    tip, sharp = Tip("capped_cone", 20.0, 20.0), Tip("cone", None, 20.0)
    for modulus, low, high in ((3000.0, 1.15, 1.25), (1000.0, 1.04, 1.07), (300.0, 1.01, 1.02)):
        z, d, _ = base(2, 600, tip=tip, k=0.05, drive_nm=3000.0, modulus_kPa=modulus, white_nm=0.0)
        found = fit(z, d, sharp, 0.05)
        assert np.all((found.modulus_kPa > low * modulus) & (found.modulus_kPa < high * modulus))
        assert np.all((found.indentation_nm < 20 * 20.0) == (modulus > 500))


def test_layers_are_corrected_refused_or_told():
    z, d, _ = base(4, 400, modulus_kPa=100.0)
    assert not any("thin_layer" in n for n in names(fit(z, d, thickness_um=900.0)))
    assert all("thin_layer" in n for n in names(fit(z, d, thickness_um=50.0)))
    refused = fit(z, d, thickness_um=2.0)
    assert all("layer_too_thin" in n for n in names(refused))
    assert not refused.used.any()
    assert np.isnan(refused.modulus_kPa).all()
    ignore = MechanicsSettings(layer_base="ignore")
    told = fit(z, d, thickness_um=50.0, settings=ignore)
    assert all("layer_ignored" in n for n in names(told))
    np.testing.assert_array_equal(told.modulus_kPa, fit(z, d).modulus_kPa)


def test_thresholds_come_from_the_settings():
    z, d, _ = base(4, 400)
    strict = MechanicsSettings(stiff_ratio=0.5, weak_sigma=1000.0, no_contact_sigma=90.0)
    assert not any(names(fit(z, d)))
    # the largest force is some 2000 sigma
    assert all(n == {"stiff_contact"} for n in names(fit(z, d, settings=strict)))


def test_empty_and_hopeless_maps():
    for z, d in (
        (np.zeros((0, 50)), np.zeros((0, 50))),
        (np.linspace(0, 1e3, 50), np.full((3, 50), np.nan)),
        (np.full(50, np.nan), np.zeros((3, 50))),
        (np.zeros(50), np.zeros((3, 50))),
        (np.linspace(0, 1e3, 50), np.zeros((3, 50))),
        (np.linspace(0, 1e3, 2), np.zeros((3, 2))),
        (np.linspace(0, 1e3, 1), np.zeros((3, 1))),
        (np.linspace(0, 1e3, 50), np.full((3, 50), 1e300)),
        (np.linspace(0, 1e3, 50), np.tile(np.linspace(0, -5e2, 50), (3, 1))),
    ):
        found = fit(z, d)
        assert not found.used.any()
        assert np.isnan(found.modulus_kPa).all()
        assert all(names(found))
