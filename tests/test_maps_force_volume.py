"""Maps of simulated curves over a known surface: height, sign, load, place, drift, flags."""

from dataclasses import fields, replace

import maps_simulator as sim
import numpy as np
import pytest

from engine.collagen import CollagenSettings
from engine.collagen.match import match_heights
from engine.collagen.polynomial import subtract_polynomial
from engine.force_volume import MAPPED, force_volume
from engine.maps_settings import MapsSettings

COLLAGEN = CollagenSettings()


def volume(fits, shape, image=None, collagen=COLLAGEN, **settings):
    return force_volume(fits, shape, sim.footprint(), image, collagen, MapsSettings(**settings))


@pytest.fixture(scope="module")
def large():
    """128 x 128 curves; modulus rises fourfold across the map, so that load changes the relief."""
    truth = sim.surface(128, 128)
    modulus = 150.0 * 4.0 ** np.linspace(0.0, 1.0, 128)[None, :]
    taken = sim.take(truth, modulus)
    return taken, sim.fitted(taken)


def about_plane(height):
    return subtract_polynomial(height, 1)


def test_contact_height_is_the_surface_at_zero_force(large):
    taken, fits = large
    found = volume(fits, (128, 128)).map("contact_height_nm")
    error = found - about_plane(taken.height_nm)
    known = np.isfinite(error)
    assert known.mean() > 0.99
    se = volume(fits, (128, 128)).map("contact_se_nm")[known]
    # the errors are what the fit says they are, and a tenth of a nanometre in the mean
    assert 0.8 < np.std(error[known]) / np.sqrt(np.mean(se**2)) < 1.25
    assert np.corrcoef(found[known], about_plane(taken.height_nm)[known])[0, 1] > 0.999


def test_a_map_of_64_by_64_thousand_curves_keeps_its_corners():
    # 256 x 256 by repeating fits: the layout is tested, not the fit
    taken = sim.take(sim.surface(16, 16), 300.0)
    fits = sim.fitted(taken)
    index = (np.arange(256)[:, None] // 16 * 16 + np.arange(256)[None, :] // 16).ravel()
    many = {
        f.name: getattr(fits, f.name)[index]
        for f in fields(fits)
        if isinstance(getattr(fits, f.name), np.ndarray)
    }
    found = volume(replace(fits, **many), (256, 256), image=sim.surface(300, 300, pixels=True))
    assert found.values.shape == (len(MAPPED), 256, 256)
    assert found.values.dtype == np.float32
    np.testing.assert_array_equal(
        found.map("modulus_kPa")[::16, ::16], fits.modulus_kPa.reshape(16, 16).astype(np.float32)
    )


@pytest.mark.parametrize("load", [0.0, 0.2, 1.0, sim.TRIGGER_NN])
def test_under_load_the_surface_lies_lower_by_the_closed_form(large, load):
    taken, fits = large
    found = volume(fits, (128, 128))
    sunk = found.height_at(load, 0.1) - found.map("contact_height_nm")
    expected = -sim.closed_depth_nm(load, taken.modulus_kPa)
    known = np.isfinite(sunk)
    assert known.mean() > 0.99
    assert (sunk[known] <= 0).all()
    np.testing.assert_allclose(np.mean(sunk[known]), np.mean(expected[known]), rtol=0.01, atol=1e-9)
    error = np.abs(sunk - expected)[known]
    assert np.median(error) <= 0.02 * np.median(-expected[known])


def test_the_height_at_the_trigger_is_better_known_than_at_zero_force(large):
    # at the trigger height = drive - deflection, whatever contact and modulus do to each other
    taken, fits = large
    found = volume(fits, (128, 128))
    zero = found.map("contact_height_nm") - about_plane(taken.height_nm)
    truth = taken.height_nm - sim.closed_depth_nm(sim.TRIGGER_NN, taken.modulus_kPa)
    loaded = about_plane(found.height_at(sim.TRIGGER_NN, 0.1)) - about_plane(truth)
    assert np.nanstd(loaded) < 0.7 * np.nanstd(zero)


def test_the_trigger_is_the_instrument_s(large):
    _, fits = large
    assert volume(fits, (128, 128)).trigger_nN == pytest.approx(sim.TRIGGER_NN, rel=0.01)


def test_unused_curves_are_missing_in_every_map(large):
    taken, _ = large
    d = taken.d_nm.copy()
    d[5 * 128 + 7] = 0.1 * np.random.default_rng(1).standard_normal(d.shape[1])
    part = slice(0, 16 * 128)
    fits = sim.fitted(sim.Taken(taken.z_nm[part], d[part], taken.height_nm, taken.modulus_kPa))
    found = volume(fits, (16, 128))
    assert not fits.used[5 * 128 + 7]
    assert np.isnan(found.values[:, 5, 7]).all()
    np.testing.assert_array_equal(np.isnan(found.values[0]), ~fits.used.reshape(16, 128))


def test_the_map_is_found_on_its_own_image(large):
    taken, fits = large
    image = sim.surface(400, 400, pixels=True)
    match = volume(fits, (128, 128), image).match
    assert match.correlation > 0.999
    assert match.scale == pytest.approx(1.0, abs=0.005)
    assert max(abs(match.shift_u_nm), abs(match.shift_v_nm)) < 0.5
    assert match.residual_nm == pytest.approx(
        np.nanstd(volume(fits, (128, 128)).map("contact_height_nm") - about_plane(taken.height_nm)),
        rel=0.15,
    )


@pytest.mark.parametrize(("du", "dv"), [(31.0, -17.0), (-60.0, 44.0)])
def test_a_shifted_image_gives_its_shift(large, du, dv):
    _, fits = large
    image = sim.surface(400, 400, du_nm=du, dv_nm=dv, pixels=True)
    found = volume(fits, (128, 128), image)
    assert found.match.shift_u_nm == pytest.approx(du, abs=1.0)
    assert found.match.shift_v_nm == pytest.approx(dv, abs=1.0)
    assert found.flags == ("map_shifted",)


def test_an_image_of_another_place_is_seen(large):
    _, fits = large
    other = sim.blurred(np.random.default_rng(3).normal(0, 900.0, (300, 300)), 8)
    found = volume(fits, (128, 128), other)
    assert found.flags == ("map_unlike_image",)


def test_an_image_upside_down_is_seen(large):
    _, fits = large
    found = volume(fits, (128, 128), -sim.surface(300, 300, pixels=True))
    assert "map_unlike_image" in found.flags


def test_missing_pixels_of_the_image_are_left_out(large):
    _, fits = large
    image = sim.surface(400, 400, pixels=True)
    image[:150] = np.nan
    match = volume(fits, (128, 128), image).match
    assert match.points == pytest.approx(128 * 128 * 250 / 400, rel=0.03)
    assert match.correlation > 0.999


def test_drift_is_measured_and_flagged_and_taken_out_only_where_asked():
    truth = sim.surface(64, 64)
    fits = sim.fitted(sim.take(truth, 300.0, drift_nm=150.0))
    image = sim.surface(400, 400, pixels=True)
    found = volume(fits, (64, 64), image)
    # a cubic from -75 to 75 nm, its straight part gone with the plane: ptp of x^3 - 0.6 x
    assert found.levelling_steps == ("plane",)
    assert found.flags == ("map_drift",)
    rows = np.linspace(-1, 1, 64)
    cubic = 75.0 * rows**3
    left = np.ptp(cubic - rows * (cubic @ rows) / (rows @ rows))
    assert found.match.drift_nm == pytest.approx(left, rel=0.08)
    freed = volume(fits, (64, 64), image, drift_degree=3)
    assert freed.levelling_steps == ("plane", "drift_against_image_3")
    assert freed.flags == ()
    assert freed.match.residual_nm < 0.3 * found.match.residual_nm
    assert freed.match.drift_nm < 0.05 * left


def test_small_maps_lose_a_plane_only():
    # of a bead map nothing but tilt can be told from relief; row steps are for images
    fits = sim.fitted(sim.take(sim.surface(8, 8), 300.0))
    found = volume(fits, (8, 8), collagen=CollagenSettings(levelling=("plane", "row_median")))
    assert found.levelling_steps == ("plane",)
    assert found.match.points == 0
    assert found.flags == ()


@pytest.mark.parametrize("shape", [(1, 64), (64, 1), (1, 1), (2, 2)])
def test_lines_and_points_are_maps_too(shape):
    count = shape[0] * shape[1]
    taken = sim.take(sim.surface(1, count).reshape(shape), 300.0)
    found = volume(sim.fitted(taken), shape, sim.surface(40, 40, pixels=True))
    assert found.map("modulus_kPa").shape == shape
    assert np.isnan(found.pixel_u_nm) == (shape[1] == 1)
    assert found.match.points == 0


def test_a_map_of_nothing_is_all_missing():
    taken = sim.take(sim.surface(4, 4), 300.0)
    noise = 0.1 * np.random.default_rng(0).standard_normal(taken.d_nm.shape)
    fits = sim.fitted(sim.Taken(taken.z_nm, noise, taken.height_nm, taken.modulus_kPa))
    found = volume(fits, (4, 4), sim.surface(40, 40, pixels=True))
    assert not np.isfinite(found.values).any()
    assert np.isnan(found.trigger_nN)
    assert np.isnan(found.height_at(0.5, 0.1)).all()


def test_another_number_of_curves_is_refused():
    fits = sim.fitted(sim.take(sim.surface(4, 4), 300.0))
    with pytest.raises(ValueError, match="4 x 5 curves are needed, got 16"):
        volume(fits, (4, 5))


def test_a_constant_image_matches_nothing():
    assert match_heights(sim.surface(32, 32), np.zeros((50, 50)), 3e3, 3e3).points == 0
