import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from engine.mechanics.sensitivity import sensitivity_from_stiff_surface
from engine.mechanics.thermal import BEAM_FACTORS, BOLTZMANN, fit_thermal, thermal_spectrum

KT = BOLTZMANN * 298.15


def stiff(count=10, sensitivity=62.0, sigma=0.002, samples=1000, seed=0):
    rng = np.random.default_rng(seed)
    z = np.linspace(0, 500, samples)
    contact = 300 + rng.uniform(-20, 20, count)
    d = np.maximum(z - contact[:, None], 0) / sensitivity + 0.0002 * z - 0.3
    return z, d + sigma * rng.standard_normal(d.shape)


def test_sensitivity_is_recovered():
    z, d = stiff()
    found = sensitivity_from_stiff_surface(z, d)
    assert found.nm_per_V == pytest.approx(62.0, rel=2e-3)
    assert abs(found.bend) < 0.01
    assert found.rel_se < 0.001
    one = sensitivity_from_stiff_surface(z, d[0])
    assert np.isnan(one.rel_sd)
    off = []
    for seed in range(40):
        many = sensitivity_from_stiff_surface(*stiff(25, seed=seed))
        off.append((many.nm_per_V / 62.0 - 1) / many.rel_se)
    assert np.mean(np.abs(off) < 2.06) >= 0.85


def test_a_detector_at_its_end_shows_as_a_bend():
    z, d = stiff(sigma=0.0005)
    bent = 2.5 * np.tanh(d / 2.5)
    found = sensitivity_from_stiff_surface(z, bent)
    assert found.bend < -0.2


def test_curves_that_do_not_serve():
    z, d = stiff(4)
    d[1], d[2] = np.nan, 0.0
    found = sensitivity_from_stiff_surface(z, d)
    assert np.isfinite(found.each_nm_per_V).tolist() == [True, False, False, True]
    nothing = sensitivity_from_stiff_surface(z, np.zeros((2, 1000)))
    assert np.isnan(nothing.nm_per_V)
    falling = sensitivity_from_stiff_surface(z, -d[:1])
    assert np.isnan(falling.nm_per_V)
    with pytest.raises(ValueError, match="shares"):
        sensitivity_from_stiff_surface(z, d, lower_share=0.9, upper_share=0.2)
    with pytest.raises(ValueError, match="z must be"):
        sensitivity_from_stiff_surface(z[:5], d)


def test_beam_factor_from_the_mode_of_a_clamped_beam():
    # first root of cos x cosh x = -1; energy share 12 / a^4; slope over deflection at the end
    a = brentq(lambda x: np.cos(x) * np.cosh(x) + 1, 1.5, 2.5)
    s = (np.cosh(a) + np.cos(a)) / (np.sinh(a) + np.sin(a))
    end = np.cosh(a) - np.cos(a) - s * (np.sinh(a) - np.sin(a))
    slope = a * (np.sinh(a) + np.sin(a) - s * (np.cosh(a) - np.cos(a)))
    lever = (slope / end) / 1.5
    assert BEAM_FACTORS["rectangular"] == pytest.approx(12 / a**4 * lever**2, abs=5e-4)


def spectrum(k=0.05, f0=12e3, q=3.0, floor=1e-7, averages=200, seed=0):
    """Averaged periodogram of an oscillator of mean square kT / k: gamma variables about it."""
    f = np.arange(50.0, 40e3, 50.0)
    area = KT / k
    height = area / (np.pi / 2 * f0 * q)
    x = f / f0
    s = floor + height / ((x * x - 1) ** 2 + (x / q) ** 2)
    return f, s * np.random.default_rng(seed).gamma(averages, 1 / averages, len(f)), s


def test_area_of_the_oscillator():
    # mean square = pi A f0 Q / 2 in closed form, by quadrature
    for q in (0.8, 3.0, 50.0):
        area = quad(
            lambda x, q=q: 1 / ((x * x - 1) ** 2 + (x / q) ** 2), 0, np.inf, limit=500, points=None
        )[0]
        assert area == pytest.approx(np.pi / 2 * q, rel=1e-6)


@pytest.mark.parametrize(("f0", "q"), [(12e3, 2.0), (12e3, 30.0), (4e3, 1.2)])
def test_spring_constants_are_recovered_with_intervals_that_cover(f0, q):
    off = []
    for seed in range(30):
        f, p, _ = spectrum(f0=f0, q=q, seed=seed)
        found = fit_thermal(f, p, averages=200, range_Hz=(300, 35e3), beam="ideal")
        off.append((np.log(found.spring_constant_N_per_m / 0.05), found.fit_rel_se))
        assert found.resonance_Hz == pytest.approx(f0, rel=0.03)
        assert found.quality == pytest.approx(q, rel=0.1)
    error, se = np.array(off).T
    assert abs(error.mean()) < 0.01
    assert np.mean(np.abs(error) < 1.96 * se) >= 0.8


def test_corrections_act_by_their_formulas():
    f, p, s = spectrum()
    common = {"averages": 200, "range_Hz": (300, 35e3)}
    ideal = fit_thermal(f, p, beam="ideal", **common)
    beam = fit_thermal(f, p, **common)
    ratio = beam.spring_constant_N_per_m / ideal.spring_constant_N_per_m
    assert ratio == pytest.approx(0.817)
    tilted = fit_thermal(f, p, beam_factor=1.0, tilt_deg=10, temperature_K=310, **common)
    ratio = tilted.spring_constant_N_per_m / ideal.spring_constant_N_per_m
    assert ratio == pytest.approx(310 / 298.15 / np.cos(np.radians(10)) ** 2)
    doubtful = fit_thermal(f, p, sensitivity_rel_sd=0.03, **common)
    assert doubtful.rel_sd == pytest.approx(np.hypot(doubtful.fit_rel_se, 0.06))
    inside = np.isfinite(beam.model_nm2_per_Hz)
    np.testing.assert_allclose(beam.model_nm2_per_Hz[inside], s[inside], rtol=0.1)
    assert beam.misfit < 0.1


def test_from_a_record_in_time():
    # an oscillator driven by white force, stepped by its exact filter in frequency
    rng = np.random.default_rng(3)
    rate, n, f0, q = 100e3, 1 << 18, 9e3, 4.0
    f = np.fft.rfftfreq(n, 1 / rate)
    x = f / f0
    density = KT / 0.1 / (np.pi / 2 * f0 * q) / ((x * x - 1) ** 2 + (x / q) ** 2)
    white = rng.standard_normal(n)
    motion = np.fft.irfft(np.fft.rfft(white) * np.sqrt(density * rate / 2), n)
    found = fit_thermal(
        *thermal_spectrum(motion, rate, 64)[:2], averages=120, range_Hz=(200, 45e3), beam="ideal"
    )
    assert found.spring_constant_N_per_m == pytest.approx(0.1, rel=0.03)
    assert motion.var() == pytest.approx(KT / 0.1, rel=0.05)


def test_wrong_wishes_are_named():
    f, p, _ = spectrum()
    with pytest.raises(ValueError, match="range_Hz"):
        fit_thermal(f, p, averages=10, range_Hz=(5e3, 1e3))
    with pytest.raises(ValueError, match="bins"):
        fit_thermal(f, p, averages=10, range_Hz=(5e3, 5.2e3))
    with pytest.raises(ValueError, match="temperature"):
        fit_thermal(f, p, averages=10, range_Hz=(1e3, 3e4), temperature_K=0)
    with pytest.raises(ValueError, match="averages"):
        fit_thermal(f, p, averages=0, range_Hz=(1e3, 3e4))
    with pytest.raises(ValueError, match="two"):
        fit_thermal(f, p[:5], averages=10, range_Hz=(1e3, 3e4))
    with pytest.raises(ValueError, match="finite samples"):
        thermal_spectrum(np.zeros(100), 1e4)
    with pytest.raises(ValueError, match="sample_rate"):
        thermal_spectrum(np.zeros(100000), 0)
