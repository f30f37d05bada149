import json
from pathlib import Path

import numpy as np
import pytest

from engine.mechanics import (
    MODELS,
    Layer,
    Tip,
    contact_force,
    contact_radius,
    contact_stiffness,
    layer_factor,
    published_layer_factor,
)
from engine.mechanics.models import ContactModel, register
from engine.mechanics.tables import law_force, layered, tabulate

REFERENCE = json.loads((Path(__file__).parent / "reference/contact_mechanics.json").read_text())

TIPS = [
    Tip("sphere", 5000.0),
    Tip("paraboloid", 20.0),
    Tip("cone", None, 18.0),
    Tip("pyramid", None, 17.5),
    Tip("cone", 20.0, 18.0),
    Tip("capped_cone", 100.0, 35.0),
    Tip("truncated_cone", 20.0, 18.0),
]


def _id(tip):
    return tip.law.name


@pytest.mark.parametrize("tip", TIPS, ids=_id)
def test_stiffness_is_the_derivative_of_force(tip):
    depth = np.geomspace(0.1, 3000.0, 40)
    step = 1e-5 * depth
    numeric = (contact_force(depth + step, tip) - contact_force(depth - step, tip)) / (2 * step)
    np.testing.assert_allclose(numeric, contact_stiffness(depth, tip), rtol=2e-7)


@pytest.mark.parametrize("tip", TIPS, ids=_id)
def test_force_and_contact_grow_with_depth_from_nothing(tip):
    depth = np.linspace(0.0, 500.0, 300)
    force, radius = contact_force(depth, tip), contact_radius(depth, tip)
    assert force[0] == pytest.approx(0, abs=1e-18)
    assert np.all(np.diff(force) > 0)
    assert np.all(np.diff(radius) > 0)
    np.testing.assert_array_equal(contact_force(np.array([-5.0, -1e-9]), tip), force[0])


@pytest.mark.parametrize("tip", TIPS, ids=_id)
def test_scaling_all_lengths_scales_force_with_their_square(tip):
    bigger = Tip(
        tip.shape, None if tip.radius_nm is None else 7 * tip.radius_nm, tip.half_angle_deg
    )
    depth = np.array([1.0, 30.0, 400.0])
    np.testing.assert_allclose(
        contact_force(7 * depth, bigger), 49 * contact_force(depth, tip), rtol=1e-10
    )


def test_exact_sphere_against_reference_table():
    entry = REFERENCE["sphere_over_paraboloid"]
    depth = 5000.0 * np.array(entry["depth_over_radius"])
    ratio = contact_force(depth, Tip("sphere", 5000.0)) / contact_force(
        depth, Tip("paraboloid", 5000.0)
    )
    np.testing.assert_allclose(ratio, entry["ratio"], atol=6e-5)


def test_sphere_becomes_paraboloid_at_small_depth():
    depth = 5000.0 * np.geomspace(1e-9, 1e-3, 20)
    ratio = contact_force(depth, Tip("sphere", 5000.0)) / contact_force(
        depth, Tip("paraboloid", 5000.0)
    )
    # leading term of the series: 1 - delta / (10 R)
    np.testing.assert_allclose(ratio, 1 - depth / 50000.0, atol=1e-7)


def test_sphere_contact_never_exceeds_its_radius():
    assert np.all(contact_radius(np.array([1e3, 1e4, 1e6]), Tip("sphere", 50.0)) <= 50.0)


def test_capped_cone_between_its_limits():
    tip, depth = Tip("cone", 20.0, 20.0), np.array([1e-2, 1.0, 1e7])
    assert tip.law.name == "capped_cone"
    force = contact_force(depth, tip)
    parts = contact_force(depth, Tip("paraboloid", 20.0))
    np.testing.assert_allclose(force[:2], parts[:2], rtol=1e-12)
    np.testing.assert_allclose(
        force[2], contact_force(depth, Tip("cone", None, 20.0))[2], rtol=1e-4
    )


def test_truncated_cone_between_its_limits():
    depth = np.array([1e-4, 1e7])
    force = contact_force(depth, Tip("truncated_cone", 20.0, 20.0))
    # a flat punch of radius b: 2 b delta (Sneddon 1965)
    np.testing.assert_allclose(force[0], 2 * 20.0 * depth[0], rtol=1e-4)
    np.testing.assert_allclose(
        force[1], contact_force(depth, Tip("cone", None, 20.0))[1], rtol=1e-4
    )


def test_closed_forms_of_cone_and_pyramid():
    depth, tangent = np.array([40.0]), np.tan(np.radians(17.5))
    np.testing.assert_allclose(
        contact_force(depth, Tip("cone", None, 17.5)), 2 / np.pi * tangent * 1600
    )
    # within the spread of the published factors 0.7071 to 0.7453 (from memory)
    factor = contact_force(depth, Tip("pyramid", None, 17.5))[0] / (tangent * 1600)
    assert 0.70711 < factor < 0.7453


@pytest.mark.parametrize("tip", TIPS, ids=_id)
@pytest.mark.parametrize("depth_max", [150.0, 2900.0])
def test_table_holds_the_law(tip, depth_max):
    table = tabulate(tip, depth_max)
    t = np.linspace(0.001, np.sqrt(depth_max / table.scale_nm), 999)
    pieces = len(table.coefficients)
    piece = np.minimum((t * pieces).astype(int), pieces - 1)
    x = t * pieces - piece
    q = sum(table.coefficients[piece, i] * x**i for i in range(8))
    depth = table.scale_nm * t**2
    exact = contact_force(depth, tip)
    assert np.max(np.abs(q * table.scale_nm * depth - exact)) < 1e-6 * exact.max()


@pytest.mark.parametrize("base", ["bonded", "sliding"])
def test_layer_factor_against_reference_table(base):
    entry = REFERENCE[f"layer_{base}_nu_05"]
    np.testing.assert_allclose(
        layer_factor(np.array(entry["chi"]), 0.5, base), entry["factor"], rtol=5e-4
    )


def test_layer_first_coefficient():
    entry = REFERENCE["layer_first_coefficient_bonded"]
    for nu, slope in zip(entry["poisson_ratio"], entry["slope"], strict=True):
        assert (layer_factor(np.array([1e-4]), nu)[0] - 1) / 1e-4 == pytest.approx(slope, rel=1e-3)


EVERY_TIP = [
    Tip("sphere", 5000.0),
    Tip("paraboloid", 5000.0),
    Tip("cone", None, 20.0),
    Tip("cone", 30.0, 20.0),
    Tip("pyramid", None, 20.0),
    Tip("truncated_cone", 30.0, 20.0),
]


@pytest.mark.parametrize("tip", EVERY_TIP, ids=lambda tip: tip.law.name)
def test_a_thick_layer_is_a_half_space_and_a_thin_one_is_stiffer(tip):
    depth = np.array([10.0, 100.0, 500.0])
    half = contact_force(depth, tip)
    np.testing.assert_allclose(law_force(depth, tip, Layer(1e9, 0.5)), half, rtol=1e-5)
    factors = [law_force(depth, tip, Layer(h, 0.5)) / half for h in (5e4, 5e3, 2e3)]
    assert np.all(np.diff([np.ones(3), *factors], axis=0) > 0)
    softer = law_force(depth, tip, Layer(2e3, 0.3)) / half
    sliding = law_force(depth, tip, Layer(2e3, 0.5, "sliding")) / half
    assert np.all(softer < factors[2])
    assert np.all(sliding < factors[2])
    assert layered(tip)


@pytest.mark.parametrize("tip", EVERY_TIP, ids=lambda tip: tip.law.name)
def test_the_first_order_of_a_layer_is_that_of_the_force_alone(tip):
    # far from the contact only its force F is felt, and the base answers it by shifting the whole
    # contact by c F / (E* h): F changes by c F / h dF/ddelta. c is a material's: from the
    # paraboloid, whose factor starts as 1 + 1.12696 chi (nu 0.5, reference sheet): dF/ddelta is
    # 2 sqrt(R delta), so 1.12696 = 2 c
    layer, depth = Layer(1e6, 0.5), np.array([200.0])
    force = contact_force(depth, tip)
    first = 1.12696 / 2 * contact_stiffness(depth, tip) / layer.thickness_nm
    found = law_force(depth, tip, layer) / force - 1
    np.testing.assert_allclose(found, first, rtol=0.02)


def test_tips_between_two_laws_meet_them_on_a_layer():
    layer, depth = Layer(500.0, 0.5), np.array([50.0, 200.0, 400.0])

    def factor(tip):
        return law_force(depth, tip, layer) / contact_force(depth, tip)

    cone = factor(Tip("cone", None, 20.0))
    for tip in (Tip("capped_cone", 0.05, 20.0), Tip("truncated_cone", 0.05, 20.0)):
        np.testing.assert_allclose(factor(tip), cone, rtol=3e-4)
    # before its cap ends, a capped cone is its paraboloid; a large sphere is one as well
    wide = Tip("capped_cone", 2e4, 20.0)
    np.testing.assert_allclose(factor(wide)[:2], factor(Tip("paraboloid", 2e4))[:2], rtol=3e-4)
    far = [
        law_force(np.array([3.0]), t, layer) for t in (Tip("sphere", 3e3), Tip("paraboloid", 3e3))
    ]
    np.testing.assert_allclose(far[0], far[1], rtol=2e-3)


@pytest.mark.parametrize("base", ["bonded", "sliding"])
def test_layer_factor_against_the_fitted_polynomials(base):
    entry = REFERENCE[f"layer_{base}_polynomial"]
    chi = np.linspace(0, entry["chi_max"], 40)
    polynomial = np.polynomial.Polynomial(entry["coefficients"])(chi)
    np.testing.assert_allclose(layer_factor(chi, 0.5, base), polynomial, rtol=entry["error"] * 1.1)


def test_published_series_is_right_to_first_order_only():
    entry = REFERENCE["layer_published_series"]
    chi = np.array(entry["chi"])
    off = published_layer_factor(chi) / layer_factor(chi, 0.5) - 1
    np.testing.assert_allclose(off, entry["error"], atol=0.006)
    assert published_layer_factor(np.array([0.0])) == 1.0


def test_second_coefficient_of_a_layer_follows_from_the_first():
    # bonded: c2 = (7 / 6) c1^2 for a paraboloid (reference sheet); by divided differences
    for nu in (0.5, 0.3):
        chi = np.array([0.02, 0.04, 0.06])
        rest = (layer_factor(chi, nu) - 1) / chi
        first = 3 * rest[0] - 3 * rest[1] + rest[2]
        second = (-5 * rest[0] + 8 * rest[1] - 3 * rest[2]) / (2 * 0.02)
        assert second == pytest.approx(7 / 6 * first**2, rel=0.03)


def test_layer_under_a_cone():
    tip, layer = Tip("cone", None, 20.0), Layer(500.0, 0.5)
    depth = np.array([1e-3, 50.0, 400.0])
    factor = law_force(depth, tip, layer) / contact_force(depth, tip)
    assert factor[0] == pytest.approx(1, abs=1e-5)
    assert np.all(np.diff(factor) > 0)
    # only tan(angle) depth / thickness matters
    wide = Tip("cone", None, 60.0)
    ratio = np.tan(np.radians(60)) / np.tan(np.radians(20))
    same = law_force(depth / ratio, wide, layer) / contact_force(depth / ratio, wide)
    np.testing.assert_allclose(same, factor, rtol=1e-12)


@pytest.mark.parametrize(
    ("shape", "radius", "angle", "word"),
    [
        ("sphere", None, None, "radius_nm"),
        ("paraboloid", -1.0, None, "radius_nm"),
        ("sphere", np.nan, None, "radius_nm"),
        ("cone", None, None, "half_angle_deg"),
        ("pyramid", None, 90.0, "half_angle_deg"),
        ("brick", 1.0, 1.0, "shape"),
    ],
)
def test_tips_that_cannot_be(shape, radius, angle, word):
    with pytest.raises(ValueError, match=word):
        Tip(shape, radius, angle)


def test_a_law_is_registered_once():
    with pytest.raises(ValueError, match="registered already"):
        register(MODELS["cone"])
    assert all(isinstance(m, ContactModel) and m.validity.endswith(".") for m in MODELS.values())
