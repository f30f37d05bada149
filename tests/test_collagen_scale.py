"""Material ratio, Sq against window, power spectral density and texture direction."""

import numpy as np
import pytest
from scipy import integrate, ndimage, special, stats

from engine.collagen import (
    CollagenSettings,
    material_ratio,
    power_spectral_density,
    sq_against_window,
    texture,
)
from engine.collagen.scale import texture_direction
from engine.collagen.texture import height_parameters, spatial_parameters

PIXEL = (5.0, 7.0)


def gaussian_surface(seed, size=(512, 512), sigma_px=4.0):
    rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=size), sigma_px)
    return rough / rough.std()


def grating(angle_deg, wavelength_nm=90.0, size=(200, 260)):
    """A wave whose lines run at this angle from +u towards +v."""
    v, u = np.indices(size)
    turn = np.radians(angle_deg)
    across = -np.sin(turn) * u * PIXEL[0] + np.cos(turn) * v * PIXEL[1]
    return np.cos(2 * np.pi * across / wavelength_nm)


def test_material_ratio_of_gaussian_heights():
    # The quantiles of a normal distribution; line and areas by quadrature, a path of its own.
    share = np.linspace(0.3, 0.7, 20_001)
    slope, upper = np.polyfit(share, stats.norm.isf(share), 1)
    peaks = stats.norm.sf(upper)
    area, _ = integrate.quad(stats.norm.sf, upper, 12)
    heights = stats.norm.isf((np.arange(200_000) + 0.5) / 200_000)
    found = material_ratio(np.random.default_rng(0).permutation(heights).reshape(400, 500))
    assert found.Sk_nm == pytest.approx(-slope, rel=2e-3)
    assert found.Smr1_pct == pytest.approx(100 * peaks, rel=2e-3)
    assert found.Smr2_pct == pytest.approx(100 - 100 * peaks, rel=2e-3)
    assert found.Spk_nm == pytest.approx(2 * area / peaks, rel=2e-3)
    assert found.Svk_nm == pytest.approx(found.Spk_nm, rel=2e-3)


def test_material_ratio_of_a_ramp_is_all_core():
    found = material_ratio(np.linspace(0.0, 8.0, 100_000))
    assert found.Sk_nm == pytest.approx(8.0, rel=1e-4)
    assert found.Spk_nm == pytest.approx(0.0, abs=1e-3)
    assert found.Smr1_pct == pytest.approx(0.0, abs=0.01)
    assert found.Smr2_pct == pytest.approx(100.0, abs=0.01)
    np.testing.assert_allclose(found.height_nm[1:-1], 4.0 - 0.08 * found.ratio_pct[1:-1], atol=1e-3)


def test_material_ratio_of_a_ramp_with_a_plateau_and_a_groove():
    # 10 % peaks rising 5 above the core, 20 % grooves 10 deep below it, straight flanks:
    # the triangles are the flanks themselves.
    core = np.linspace(0.0, 1.0, 70_000)
    peak = 1.0 + np.linspace(0.0, 5.0, 10_000)
    groove = -np.linspace(0.0, 10.0, 20_000)
    found = material_ratio(np.concatenate([core, peak, groove]))
    assert found.Sk_nm == pytest.approx(1.0 / 0.7, rel=0.01)  # the core's line over all of it
    assert 0 < found.Smr1_pct < 10.0
    assert found.Spk_nm == pytest.approx(5.0, rel=0.15)
    assert found.Svk_nm == pytest.approx(10.0, rel=0.15)


def test_peaks_and_valleys_add_up_to_the_whole_height():
    found = height_parameters(gaussian_surface(1, (100, 100)))
    assert found["Sp_nm"] + found["Sv_nm"] == pytest.approx(found["Sz_nm"])
    upside = height_parameters(-gaussian_surface(1, (100, 100)))
    assert upside["Sp_nm"] == pytest.approx(found["Sv_nm"])


def test_all_of_the_standard_in_one_result():
    found = texture(gaussian_surface(2, (128, 128)), (8.0, 8.0), 1.0, CollagenSettings())
    values = [getattr(found, name) for name in vars(found)]
    assert len(values) == 18
    assert np.isfinite(values).all()
    assert found.Sk_nm + found.Spk_nm + found.Svk_nm < found.Sz_nm


def test_sq_against_window_by_its_definition():
    surface = gaussian_surface(3, (96, 130), 6.0)
    surface[10, 20] = np.nan
    side, found, count = sq_against_window(surface, PIXEL)
    assert (np.diff(side) > 0).all()
    assert side[-1] == pytest.approx(min(96 * 7.0, 130 * 5.0))
    k = int(np.argmin(np.abs(side - side[-1] / 4)))
    rows, cols = round(side[k] / 7.0), round(side[k] / 5.0)
    top, left = (96 % rows) // 2, (130 % cols) // 2
    v, u = np.indices((rows, cols))
    each = []
    for r in range(top, 96 - rows + 1, rows):
        for c in range(left, 130 - cols + 1, cols):
            z = surface[r : r + rows, c : c + cols].ravel()
            good = np.isfinite(z)
            design = np.column_stack([np.ones(z.size), v.ravel(), u.ravel()])[good]
            rest = z[good] - design @ np.linalg.lstsq(design, z[good], rcond=None)[0]
            each.append(np.sqrt(np.mean(rest**2)))
    assert count[k] == len(each)
    assert found[k] == pytest.approx(np.median(each), rel=1e-9)


def test_sq_grows_with_the_window_and_levels_off():
    side, found, _ = sq_against_window(gaussian_surface(4), (8.0, 8.0))
    assert found[0] < 0.8  # 16 pixels against a correlation length of 8
    assert found[-1] == pytest.approx(1.0, rel=0.01)
    assert (np.diff(found) > -0.05).all()
    assert len(side) >= 8


def test_spectral_density_of_a_gaussian_surface():
    # White noise through a Gaussian: C(f) = Sq^2 4 pi s^2 exp(-(2 pi f s)^2) (closed form).
    s = 4.0 * 8.0
    ratio = []
    for seed in range(4):
        wave, density = power_spectral_density(gaussian_surface(seed), (8.0, 8.0))
        expected = 4 * np.pi * s**2 * np.exp(-((2 * np.pi * s / wave) ** 2))
        ratio.append((density / expected)[(wave > 100) & (wave < 600)])
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.06)


def test_spectral_density_integrates_to_the_variance():
    wave, density = power_spectral_density(gaussian_surface(5), PIXEL)
    f = 1 / wave
    total = np.trapezoid(2 * np.pi * f * density, f)
    assert total == pytest.approx(1.0, rel=0.12)


def test_spectral_density_peaks_at_a_gratings_wavelength():
    wave, density = power_spectral_density(grating(30.0, 120.0), PIXEL)
    assert wave[np.argmax(density)] == pytest.approx(120.0, rel=0.12)


def test_autocorrelation_length_by_a_second_path_through_the_spectrum():
    # Isotropic: the autocorrelation is the Hankel transform of the density.
    along = np.arange(0, 200, 0.5)
    first, second = [], []
    for seed in range(4):
        surface = gaussian_surface(seed)
        first.append(spatial_parameters(surface, (8.0, 8.0))["Sal_nm"])
        wave, density = power_spectral_density(surface, (8.0, 8.0))
        f = 1 / wave
        kernel = special.j0(2 * np.pi * along[:, None] * f)
        acf = np.trapezoid(2 * np.pi * f * density * kernel, f, axis=1)
        second.append(along[np.argmax(acf / acf[0] <= 0.2)])
    assert np.mean(first) == pytest.approx(np.mean(second), rel=0.06)


@pytest.mark.parametrize("angle", [0.0, 20.0, 77.0, 90.0, 135.0])
def test_texture_direction_is_the_lay(angle):
    found = texture_direction(grating(angle), PIXEL)
    assert (found - angle + 90) % 180 - 90 == pytest.approx(0.0, abs=0.3)


def test_texture_direction_by_a_second_path_through_the_gradient():
    # One spectral width in all directions: both paths see the same lay.
    rng = np.random.default_rng(6)
    v, u = np.indices((300, 300)) * 4.0
    surface = np.zeros(v.shape)
    for angle in np.radians(115.0 + 6.0 * rng.normal(size=60)):
        wave = 2 * np.pi / rng.uniform(60, 90)
        surface += np.cos(wave * (np.cos(angle) * u + np.sin(angle) * v) + rng.uniform(0, 6))
    gradient_v, gradient_u = np.gradient(surface)
    double = np.mean((gradient_u + 1j * gradient_v) ** 2)
    lay = np.degrees(np.angle(double) / 2) + 90
    found = texture_direction(surface, (4.0, 4.0))
    assert lay % 180 == pytest.approx(25.0, abs=3.0)
    assert (found - lay + 90) % 180 - 90 == pytest.approx(0.0, abs=4.0)


@pytest.mark.parametrize("shape", [(1, 300), (5, 5), (40, 3)])
def test_small_images_give_nothing_instead_of_nonsense(shape):
    surface = np.random.default_rng(7).normal(size=shape)
    assert np.isnan(texture_direction(surface, PIXEL))
    assert power_spectral_density(surface, PIXEL)[0].size == 0
    assert sq_against_window(surface, PIXEL)[0].size == 0
    assert np.isnan(material_ratio(np.full(shape, np.nan)).Sk_nm)
