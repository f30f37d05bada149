"""Depth of a law at any load: closed forms, limits, and what must be refused."""

import numpy as np
import pytest

from engine.mechanics import Layer, Tip, contact_force
from engine.mechanics.at_load import contact_height, depth_at_load, load_law, trigger_of

LOADS = (1e-4, 0.01, 0.3, 2.0)
MODULI = np.array([3.0, 80.0, 300.0, 20_000.0])


def depths(tip, load, modulus=MODULI, nu=0.5, layer=None):
    law = load_law(tip, layer, nu, 5e3)
    return depth_at_load(load, modulus, np.full_like(modulus, np.inf), law)


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("nu", [0.0, 0.3, 0.5])
def test_a_paraboloid_follows_hertz(load, nu):
    # Hertz 1882: F = (4/3) E/(1-nu^2) sqrt(R) delta^1.5
    reduced = MODULI * 1e-6 / (1 - nu**2)
    expected = (3 * load / (4 * reduced * np.sqrt(20.0))) ** (2 / 3)
    np.testing.assert_allclose(depths(Tip("paraboloid", 20.0), load, nu=nu), expected, rtol=1e-9)


@pytest.mark.parametrize("load", LOADS)
def test_a_cone_follows_sneddon(load):
    # Sneddon 1965: F = (2/pi) E/(1-nu^2) tan(a) delta^2
    reduced = MODULI * 1e-6 / 0.75
    expected = np.sqrt(np.pi * load / (2 * reduced * np.tan(np.radians(18.0))))
    found = depths(Tip("cone", half_angle_deg=18.0), load)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


@pytest.mark.parametrize(
    "tip", [Tip("sphere", 5000.0), Tip("cone", 15.0, 20.0), Tip("truncated_cone", 30.0, 20.0)]
)
def test_other_laws_give_back_the_load(tip):
    for load in LOADS:
        depth = depths(tip, load)
        force = MODULI * 1e-6 / 0.75 * contact_force(depth, tip)
        np.testing.assert_allclose(force, load, rtol=2e-4)


def test_a_thin_layer_gives_way_less():
    tip = Tip("sphere", 5000.0)
    free = depths(tip, 2.0)
    thin = depths(tip, 2.0, layer=Layer(5000.0, 0.5))
    assert (thin < free).all()
    # the thicker the layer, the nearer to a half-space
    thick = depths(tip, 2.0, layer=Layer(5e6, 0.5))
    np.testing.assert_allclose(thick, free, rtol=2e-3)


def test_no_load_no_depth_and_more_load_more_depth():
    tip = Tip("paraboloid", 20.0)
    np.testing.assert_array_equal(depths(tip, 0.0), 0.0)
    rising = np.stack([depths(tip, load) for load in np.linspace(0.0, 3.0, 31)])
    assert (np.diff(rising, axis=0) > 0).all()


def test_a_curve_is_not_followed_beyond_its_end_unless_asked():
    law = load_law(Tip("paraboloid", 20.0), None, 0.5, 500.0)
    reached = np.array([1.0, 1.0, 2.0, np.nan])
    modulus = np.array([100.0, np.nan, 100.0, 100.0])
    found = depth_at_load(1.05, modulus, reached, law)
    np.testing.assert_array_equal(np.isfinite(found), [False, False, True, False])
    found = depth_at_load(1.05, modulus, reached, law, beyond_share=0.1)
    np.testing.assert_array_equal(np.isfinite(found), [True, False, True, False])
    assert found[0] == found[2]


def test_a_law_that_ends_too_early_says_nothing_instead_of_something():
    law = load_law(Tip("paraboloid", 20.0), None, 0.5, 10.0)
    assert np.isnan(depth_at_load(50.0, np.array([10.0]), np.array([100.0]), law)).all()


@pytest.mark.parametrize("load", [-0.1, np.nan, np.inf])
def test_a_load_that_is_none_is_refused(load):
    with pytest.raises(ValueError, match="load_nN must be"):
        depths(Tip("paraboloid", 20.0), load)


@pytest.mark.parametrize("depth", [0.0, -1.0, np.nan, np.inf])
def test_a_depth_that_is_none_is_refused(depth):
    with pytest.raises(ValueError, match="depth_max_nm must be"):
        load_law(Tip("paraboloid", 20.0), None, 0.5, depth)


def test_what_is_touched_early_is_high():
    height = contact_height([1000.0, 900.0, 1100.0, 500.0], [True, True, True, False])
    np.testing.assert_array_equal(height, [0.0, 100.0, -100.0, np.nan])


def test_a_map_without_a_used_curve_has_no_height_and_no_trigger():
    assert np.isnan(contact_height([1.0, 2.0], [False, False])).all()
    assert np.isnan(trigger_of([1.0, 2.0], [False, False]))
    assert trigger_of([1.0, 2.0, 9.0], [True, True, False]) == 1.5
