"""The resonance found and fitted with nothing chosen by hand."""

import numpy as np
import pytest
from calibration_kit import RATE_HZ, TEMPERATURE_K, density, record

from engine.mechanics import (
    BEAM_FACTORS,
    ThermalTerms,
    averages_from_scatter,
    calibrate_record,
    calibrate_spectrum,
    resonance_range,
)

TERMS = ThermalTerms(TEMPERATURE_K)


@pytest.mark.parametrize(
    ("spring", "resonance_Hz", "quality", "drift"),
    [
        (0.05, 9e3, 3.0, 0.0),
        (0.05, 9e3, 1.5, 1e-2),  # in liquid, with the detector's 1/f noise
        (1.4, 12e3, 2.0, 1e-3),  # 1/f noise as strong as the motion
        (2.0, 40e3, 150.0, 1e-3),  # in air
    ],
)
def test_spring_constants_are_recovered_with_errors_that_hold(
    spring: float, resonance_Hz: float, quality: float, drift: float
) -> None:
    off = []
    for seed in range(8):
        motion = record(
            spring, 2**19, seed, resonance_Hz=resonance_Hz, quality=quality, drift=drift
        )
        fit = calibrate_record(motion, RATE_HZ, TERMS).fit
        assert fit is not None
        assert fit.resonance_Hz == pytest.approx(resonance_Hz, rel=0.05)
        off.append((np.log(fit.spring_constant_N_per_m / spring), fit.fit_rel_se))
    error, se = np.array(off).T
    assert abs(error.mean()) < 0.02 + 2 * se.mean() / np.sqrt(len(error))
    assert np.mean(np.abs(error) < 2.5 * se) >= 0.85
    assert se.max() < 0.12


def test_without_the_drift_term_it_would_count_as_motion() -> None:
    motion = record(1.4, 2**19, resonance_Hz=12e3, quality=2.0, drift=1e-3)
    found = calibrate_record(motion, RATE_HZ, TERMS).fit
    assert found is not None
    assert found.drift_nm2 == pytest.approx(1e-3, rel=0.2)
    area = BEAM_FACTORS["rectangular"] * 1.380649e-5 * TEMPERATURE_K / 1.4
    assert motion.var() > 1.5 * area  # what the plain variance would be taken for


def test_noise_without_a_resonance_gives_none() -> None:
    rng = np.random.default_rng(0)
    f = np.arange(10.0, 50e3, 10.0)
    for shape in (np.ones_like(f), 1.0 / f, 1.0 + 3e3 / f):
        p = shape * rng.gamma(60, 1 / 60, len(f))
        assert np.isnan(resonance_range(f, p, 60)).all()
        assert calibrate_spectrum(f, p, 60, TERMS).fit is None


def test_a_line_of_one_bin_is_no_resonance() -> None:
    f = np.arange(10.0, 50e3, 10.0)
    p = density(f, 0.05) * np.random.default_rng(0).gamma(60, 1 / 60, len(f))
    p[2000] *= 300.0
    low, high = resonance_range(f, p, 60)
    assert low < 9e3 < high < 25e3


@pytest.mark.parametrize("averages", [5, 60, 1000])
def test_averages_from_scatter(averages: int) -> None:
    f = np.arange(10.0, 50e3, 10.0)
    p = density(f, 0.05) * np.random.default_rng(2).gamma(averages, 1 / averages, len(f))
    assert averages_from_scatter(p) == pytest.approx(averages, rel=0.15)


def test_v_shaped_beams_and_given_factors() -> None:
    # rectangular 0.817: Butt and Jaschke 1995; V-shaped 0.764: Stark, Drobek and Heckl 2001
    f = np.arange(20.0, 60e3, 20.0)
    p = density(f, 0.1) * np.random.default_rng(3).gamma(100, 1 / 100, len(f))
    springs = {}
    for beam in BEAM_FACTORS:
        fit = calibrate_spectrum(f, p, 100, ThermalTerms(TEMPERATURE_K, beam)).fit
        assert fit is not None
        springs[beam] = fit.spring_constant_N_per_m
    assert springs["rectangular"] / springs["ideal"] == pytest.approx(0.817, abs=1e-9)
    assert springs["v_shaped"] / springs["ideal"] == pytest.approx(0.764, abs=1e-9)
    tilted = calibrate_spectrum(f, p, 100, ThermalTerms(TEMPERATURE_K, tilt_deg=11.0)).fit
    assert tilted is not None
    ratio = tilted.spring_constant_N_per_m / springs["rectangular"]
    assert ratio == pytest.approx(1 / np.cos(np.radians(11)) ** 2)
