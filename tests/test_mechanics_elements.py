import numpy as np
import pytest

from engine.mechanics import Layer, Tip, contact_force, layer_factor
from engine.mechanics.tables import law_force

pytest.importorskip("skfem", reason="finite elements are a check, not a need")
from contact_elements import Body

BAR = 0.003


CAP = 0.4 * np.cos(np.radians(50))
"""Radius at which the capped cone below changes from cap to cone."""


def capped(r):
    cone = CAP**2 / 0.8 + (r - CAP) / np.tan(np.radians(50))
    return np.where(r < CAP, r * r / 0.8, cone)


SHAPES = [
    (Tip("sphere", 1.5), 0.5, lambda r: 1.5 - np.sqrt(np.maximum(2.25 - r * r, 0))),
    (Tip("capped_cone", 0.4, 50.0), 0.8, capped),
    (
        Tip("truncated_cone", 0.3, 50.0),
        0.4,
        lambda r: np.maximum(r - 0.3, 0) / np.tan(np.radians(50)),
    ),
]


@pytest.fixture(scope="module")
def half_space():
    return Body(3000.0, 0.5, "bonded", width=4000.0, fine=24)


@pytest.mark.parametrize(
    ("tip", "depth", "shape"),
    [
        (Tip("paraboloid", 1.0), 1.0, lambda r: r**2 / 2),
        (Tip("sphere", 2.0), 0.5, lambda r: 2 - np.sqrt(np.maximum(4 - r * r, 0))),
        (Tip("cone", None, 50.0), 1.2, lambda r: r / np.tan(np.radians(50))),
    ],
    ids=lambda v: v.shape if isinstance(v, Tip) else None,
)
def test_half_space_by_finite_elements(half_space, tip, depth, shape):
    found = half_space.force(depth, shape)
    assert found == pytest.approx(contact_force(np.array([depth]), tip)[0], rel=BAR)


@pytest.mark.parametrize(
    ("poisson_ratio", "base", "chi"),
    [
        (0.5, "bonded", 1.0),
        (0.5, "bonded", 0.5),
        (0.5, "sliding", 1.0),
        (0.45, "bonded", 1.0),
        (0.3, "bonded", 0.5),
        (0.3, "sliding", 0.5),
    ],
)
def test_layers_by_finite_elements(poisson_ratio, base, chi):
    # the paraboloid: R depth = 1, so chi is one over the thickness
    body = Body(1.0 / chi, poisson_ratio, base, fine=24)
    found = body.force(0.25, lambda r: r**2 / 8) / (4 / 3 * 2 * 0.25**1.5)
    assert found == pytest.approx(layer_factor(np.array([chi]), poisson_ratio, base)[0], rel=BAR)
    # the cone of 55 degrees, at the depth where tan(angle) depth = 1.2
    tangent = np.tan(np.radians(55))
    found = body.force(1.2 / tangent, lambda r: r / tangent)
    half = contact_force(np.array([1.2 / tangent]), Tip("cone", None, 55.0))[0]
    factor = layer_factor(np.array([1.2 * chi]), poisson_ratio, base, "cone")[0]
    assert found / half == pytest.approx(factor, rel=BAR)


@pytest.mark.parametrize(("tip", "depth", "shape"), SHAPES, ids=lambda v: getattr(v, "shape", None))
def test_half_space_under_further_tips(half_space, tip, depth, shape):
    found = half_space.force(depth, shape)
    assert found == pytest.approx(contact_force(np.array([depth]), tip)[0], rel=BAR)


@pytest.mark.parametrize(
    ("thickness", "poisson_ratio", "base"),
    [(1.0, 0.5, "bonded"), (2.0, 0.5, "bonded"), (1.0, 0.45, "bonded"), (1.0, 0.3, "sliding")],
)
def test_layers_under_further_tips(thickness, poisson_ratio, base):
    # the contacts are 0.5 to 0.8 wide, so 0.25 to 0.8 of the thickness
    body = Body(thickness, poisson_ratio, base, fine=24)
    layer = Layer(thickness, poisson_ratio, base)
    for tip, depth, shape in SHAPES:
        expected = law_force(np.array([depth]), tip, layer)[0]
        assert body.force(depth, shape) == pytest.approx(expected, rel=BAR), tip.shape
