"""Texture against closed forms (tests/reference/roughness_closed_forms.json, see its README)."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from engine.collagen import CollagenSettings, texture
from engine.collagen.texture import (
    autocorrelation,
    height_parameters,
    hybrid_parameters,
    spatial_parameters,
)

FORMS = json.loads((Path(__file__).parent / "reference/roughness_closed_forms.json").read_text())


def waves(kind, pixels=512, periods=16, extra=0):
    """A surface of whole periods, amplitude 1, and its pixel with the period as unit."""
    x = np.arange(-extra, pixels + extra) / pixels * periods * 2 * np.pi
    u, v = np.meshgrid(x, x)
    surface = {
        "sinusoid_1d": np.sin(u),
        "sin_x_times_sin_y": np.sin(u) * np.sin(v),
        "sin_x_plus_sin_y": np.sin(u) + np.sin(v),
    }[kind]
    return surface, (periods / pixels, periods / pixels)


@pytest.mark.parametrize("kind", ["sinusoid_1d", "sin_x_times_sin_y", "sin_x_plus_sin_y"])
def test_heights_of_sinusoids(kind):
    surface, _ = waves(kind)
    found, form = height_parameters(surface), FORMS[kind]
    assert found["Sa_nm"] == pytest.approx(form["Sa"], rel=8e-3)
    assert found["Sq_nm"] == pytest.approx(form["Sq"], rel=1e-9)
    assert found["Sz_nm"] == pytest.approx(form["Sz"], rel=6e-3)
    assert found["Ssk"] == pytest.approx(form["Ssk"], abs=1e-9)
    assert found["Sku"] == pytest.approx(form["Sku"], rel=1e-9)


def test_heights_of_a_ramp_and_a_square_wave():
    ramp = height_parameters(np.linspace(0.0, 8.0, 100_001))
    assert ramp["Sa_nm"] == pytest.approx(8.0 / 4, rel=1e-4)
    assert ramp["Sq_nm"] == pytest.approx(8.0 / 12**0.5, rel=1e-4)
    assert ramp["Sku"] == pytest.approx(1.8, rel=1e-4)
    share, step = 0.2, 3.0
    wave = height_parameters(np.where(np.arange(1000) % 10 < 2, step, 0.0))
    assert wave["Sa_nm"] == pytest.approx(2 * share * (1 - share) * step)
    assert wave["Sq_nm"] == pytest.approx(step * (share * (1 - share)) ** 0.5)
    assert wave["Ssk"] == pytest.approx((1 - 2 * share) / (share * (1 - share)) ** 0.5)
    kurtosis = (1 - 3 * share + 3 * share**2) / (share * (1 - share))
    assert wave["Sku"] == pytest.approx(kurtosis)


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("Sdq_Sdr_sinusoid_1d", "sinusoid_1d"),
        ("Sdq_Sdr_sin_x_times_sin_y", "sin_x_times_sin_y"),
    ],
)
def test_gradient_and_area(key, kind):
    # The stencil leaves three pixels out at each edge: so that whole periods are left.
    surface, pixel = waves(kind, extra=3)
    for form in FORMS[key]:
        found = hybrid_parameters(surface * form["A_over_lambda"], pixel)
        assert found["Sdq"] == pytest.approx(form["Sdq"], rel=1e-5)
        assert found["Sdr_pct"] == pytest.approx(100 * form["Sdr"], rel=1e-4)


def test_gradient_by_a_second_path_through_fourier():
    rng = np.random.default_rng(5)
    surface = ndimage.gaussian_filter(rng.normal(size=(256, 256)), 6.0, mode="wrap")
    pixel = (3.0, 5.0)
    frequency_u = 2j * np.pi * np.fft.fftfreq(256, pixel[0])[None, :]
    frequency_v = 2j * np.pi * np.fft.fftfreq(256, pixel[1])[:, None]
    spectrum = np.fft.fft2(surface)
    gradient_u = np.fft.ifft2(frequency_u * spectrum).real
    gradient_v = np.fft.ifft2(frequency_v * spectrum).real
    inner = (gradient_u**2 + gradient_v**2)[3:-3, 3:-3]
    found = hybrid_parameters(surface, pixel)
    assert found["Sdq"] == pytest.approx(np.sqrt(inner.mean()), rel=1e-4)


def test_plane_has_the_area_of_its_slope():
    v, u = np.indices((40, 30), dtype=float)
    found = hybrid_parameters(0.3 * 2.0 * u + 0.4 * 5.0 * v, (2.0, 5.0))
    assert found["Sdq"] == pytest.approx(0.5)
    assert found["Sdr_pct"] == pytest.approx(100 * (1.25**0.5 - 1))


def test_autocorrelation_lengths_of_sinusoids():
    form = FORMS["Sal_Str_sin_x_times_sin_y"]
    surface, pixel = waves("sin_x_times_sin_y", periods=16)
    found = spatial_parameters(surface, pixel)
    assert found["Sal_nm"] == pytest.approx(form["Sal_over_lambda"], rel=0.01)
    assert found["Str"] == pytest.approx(form["Str"], rel=0.01)
    surface, pixel = waves("sinusoid_1d", periods=16)
    found = spatial_parameters(surface, pixel)
    assert found["Sal_nm"] == pytest.approx(FORMS["Sal_over_lambda_1d_sinusoid_s0.2"], rel=0.01)
    assert np.isnan(found["Str"])  # the lobe of a grating never ends along its lines


def test_autocorrelation_length_of_gaussian_surfaces():
    # ACF exp(-(t / xi)^2): Sal = xi sqrt(ln 5), Str = ratio of the two xi (closed forms).
    found = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        rough = ndimage.gaussian_filter(rng.normal(size=(512, 512)), (6.0, 3.0), mode="wrap")
        found.append(spatial_parameters(rough, (1.0, 1.0)))
    expected = 2 * 3.0 * np.log(5) ** 0.5
    assert np.mean([f["Sal_nm"] for f in found]) == pytest.approx(expected, rel=0.02)
    assert np.mean([f["Str"] for f in found]) == pytest.approx(0.5, rel=0.05)


def test_autocorrelation_by_its_definition_with_holes():
    rng = np.random.default_rng(8)
    height = rng.normal(size=(12, 9))
    height[2:4, 3:7] = np.nan
    z = height - np.nanmean(height)
    found = autocorrelation(height)
    for dv, du in [(0, 0), (1, 0), (2, -3), (-5, 1)]:
        pairs = [
            z[v, u] * z[v + dv, u + du]
            for v in range(12)
            for u in range(9)
            if 0 <= v + dv < 12 and 0 <= u + du < 9
        ]
        expected = np.nanmean(pairs) / np.nanmean(z**2)
        assert found[6 + dv, 4 + du] == pytest.approx(expected, rel=1e-9)


def test_spatial_lengths_follow_the_pixel_not_the_grid():
    rng = np.random.default_rng(3)
    fine = ndimage.gaussian_filter(rng.normal(size=(400, 400)), 8.0)
    whole = spatial_parameters(fine, (5.0, 5.0))
    flat = spatial_parameters(fine[::2], (5.0, 10.0))
    assert flat["Sal_nm"] == pytest.approx(whole["Sal_nm"], rel=0.02)
    assert flat["Str"] == pytest.approx(whole["Str"], rel=0.02)


def test_holes_change_little():
    rng = np.random.default_rng(4)
    rough = ndimage.gaussian_filter(rng.normal(size=(300, 300)), 4.0)
    holed = rough.copy()
    holed[50:80, 100:160] = np.nan
    whole = texture(rough, (4.0, 4.0), 1.0, CollagenSettings())
    part = texture(holed, (4.0, 4.0), 1.0, CollagenSettings())
    for name in ("Sa_nm", "Sq_nm", "Sdq", "Sdr_pct", "Sal_nm"):
        assert getattr(part, name) == pytest.approx(getattr(whole, name), rel=0.04)
