"""Contact laws: how force grows with depth for each tip, one formula and one registration each.

Lengths are in any one unit; forces come out divided by the reduced modulus E* = E / (1 - nu^2),
so in that unit squared. For every law the contact stiffness dF/ddelta / E* equals twice the radius
of the contact (Sneddon 1965, Int J Eng Sci 3:47, for any axisymmetric punch), which is also how the
radius of the pyramid's equivalent contact is defined here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Shape = Literal["sphere", "paraboloid", "cone", "pyramid", "capped_cone", "truncated_cone"]

PYRAMID_FACTOR = 0.7376
"""F / (E* tan(face half-angle) delta^2) of a rigid four-sided pyramid, by boundary elements.

Published values: 0.7453 (Bilodeau 1992) and 1/sqrt(2) (Rico 2005), both from memory.
"""


@dataclass(frozen=True)
class Tip:
    """The indenting tip.

    Attributes
    ----------
    shape
        Name of a registered contact law.
    radius_nm
        Tip radius (sphere, paraboloid), apex radius (cone, pyramid; None = unknown) or radius
        of the flat end (truncated cone), nm.
    half_angle_deg
        Half of the opening angle, from the axis (pyramid: to the face), degrees; None where the
        shape has none.

    Raises
    ------
    ValueError
        If a size that the shape needs is missing or out of range.
    """

    shape: Shape
    radius_nm: float | None = None
    half_angle_deg: float | None = None

    def __post_init__(self) -> None:
        if self.shape not in MODELS:
            raise ValueError(f"shape must be one of {', '.join(MODELS)}, got {self.shape!r}")
        model = MODELS[self.shape]
        if self.radius_nm is None:
            if model.needs_radius:
                raise ValueError(f"radius_nm is required for a {self.shape}, got None")
        elif not (np.isfinite(self.radius_nm) and self.radius_nm > 0):
            raise ValueError(f"radius_nm must be > 0 and finite, got {self.radius_nm}")
        if model.needs_angle and not (
            self.half_angle_deg is not None and 0 < self.half_angle_deg < 90
        ):
            raise ValueError(
                f"half_angle_deg must lie in (0, 90) for a {self.shape}, got {self.half_angle_deg}"
            )

    @property
    def law(self) -> "ContactModel":
        """The contact law in force: a cone whose apex radius is known is a capped cone."""
        if self.shape == "cone" and self.radius_nm is not None:
            return MODELS["capped_cone"]
        return MODELS[self.shape]


@dataclass(frozen=True)
class ContactModel:
    """One contact law.

    Attributes
    ----------
    name
        The shape it belongs to.
    exponent
        Power of the depth at which force starts to grow; the start of every fit.
    force
        ``force(depth, radius, tan_angle)`` -> F / E*.
    contact_radius
        ``contact_radius(depth, radius, tan_angle)`` -> radius of the contact = dF/ddelta / (2 E*).
    validity
        One sentence: where the law holds.
    needs_radius, needs_angle
        Which sizes the tip must have.
    """

    name: str
    exponent: float
    force: Callable[[Floats, float, float], Floats]
    contact_radius: Callable[[Floats, float, float], Floats]
    validity: str
    needs_radius: bool
    needs_angle: bool


MODELS: dict[str, ContactModel] = {}
"""Every registered contact law by its name."""


def register(model: ContactModel) -> ContactModel:
    """Make a contact law available under its name.

    Raises
    ------
    ValueError
        If the name is taken.
    """
    if model.name in MODELS:
        raise ValueError(f"contact law {model.name!r} is registered already")
    MODELS[model.name] = model
    return model


def tip_sizes(tip: Tip) -> tuple[float, float]:
    """Radius (nm) and tangent of the half-angle of a tip, NaN where it has none."""
    radius = np.nan if tip.radius_nm is None else float(tip.radius_nm)
    angle = np.nan if tip.half_angle_deg is None else float(np.tan(np.radians(tip.half_angle_deg)))
    return radius, angle


def contact_force(depth_nm: Floats, tip: Tip) -> Floats:
    """Force over reduced modulus, F / E* (nm^2), at depths (nm; any shape; below 0 gives 0)."""
    return tip.law.force(np.maximum(np.asarray(depth_nm, float), 0.0), *tip_sizes(tip))


def contact_stiffness(depth_nm: Floats, tip: Tip) -> Floats:
    """Contact stiffness over reduced modulus, (dF/ddelta) / E* (nm), at depths (nm)."""
    return 2.0 * contact_radius(depth_nm, tip)


def contact_radius(depth_nm: Floats, tip: Tip) -> Floats:
    """Radius of the contact (nm) at depths (nm; below 0 gives that of 0)."""
    return tip.law.contact_radius(np.maximum(np.asarray(depth_nm, float), 0.0), *tip_sizes(tip))


def _paraboloid_force(depth: Floats, radius: float, _: float) -> Floats:
    """Hertz 1882: (4/3) sqrt(R) delta^1.5."""
    return (4.0 / 3.0) * np.sqrt(radius) * depth**1.5


def _paraboloid_contact(depth: Floats, radius: float, _: float) -> Floats:
    return np.sqrt(radius * depth)


def _sphere_parameter(depth: Floats, radius: float) -> Floats:
    """Solve y tanh(y) = delta / R, where the contact radius is R tanh(y)."""
    x = depth / radius
    y = np.sqrt(x) + x
    for _ in range(60):
        th = np.tanh(y)
        slope = th + y * (1.0 - th * th)
        step = (y * th - x) / np.where(slope > 0, slope, 1.0)
        y = y - step
        if np.all(np.abs(step) <= 1e-15 * (1.0 + y)):
            break
    return y


def _sphere_force(depth: Floats, radius: float, _: float) -> Floats:
    """Sneddon 1965: (a^2 + R^2) L / 2 - a R with L = ln((R + a) / (R - a)), delta = a L / 2."""
    y = _sphere_parameter(depth, radius)
    th = np.tanh(y)
    # the closed form loses its digits as y -> 0: its series there, good to y^9
    series = y**3 * (4.0 / 3.0 - y**2 * (0.8 - y**2 * 136.0 / 315.0))
    return radius**2 * np.where(y < 0.02, series, (1.0 + th * th) * y - th)


def _sphere_contact(depth: Floats, radius: float, _: float) -> Floats:
    return radius * np.tanh(_sphere_parameter(depth, radius))


def _cone_force(depth: Floats, _: float, tan_angle: float) -> Floats:
    """Sneddon 1965: (2 / pi) tan(a) delta^2."""
    return (2.0 / np.pi) * tan_angle * depth**2


def _cone_contact(depth: Floats, _: float, tan_angle: float) -> Floats:
    return (2.0 / np.pi) * tan_angle * depth


def _pyramid_force(depth: Floats, _: float, tan_angle: float) -> Floats:
    """Four-sided pyramid: 0.7376 tan(a) delta^2 (see `PYRAMID_FACTOR`)."""
    return PYRAMID_FACTOR * tan_angle * depth**2


def _pyramid_contact(depth: Floats, _: float, tan_angle: float) -> Floats:
    return PYRAMID_FACTOR * tan_angle * depth


def _invert(curve: Callable[[Floats], Floats], low: Floats, high: Floats, target: Floats) -> Floats:
    """Argument at which a rising function reaches a target, by 80 bisections."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        below = curve(middle) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)


def capped_depth(a: Floats, radius: float, tan_angle: float) -> Floats:
    """Depth at a contact radius of a paraboloid-capped cone; see `_capped_force`."""
    b = radius * np.cos(np.arctan(tan_angle))
    s = np.sqrt(np.maximum(a * a - b * b, 0.0))
    q = np.arcsin(np.minimum(b / np.maximum(a, b), 1.0))
    cone = a / radius * (a - s) + a / tan_angle * (np.pi / 2 - q)
    return np.where(a <= b, a * a / radius, cone)


def _capped_contact(depth: Floats, radius: float, tan_angle: float) -> Floats:
    # the contact is never wider than the paraboloid's nor than cone and cap together
    high = np.sqrt(radius * depth) + tan_angle * depth
    return _invert(
        lambda a: capped_depth(a, radius, tan_angle), np.zeros_like(high), high + 1e-300, depth
    )


def _capped_force(depth: Floats, radius: float, tan_angle: float) -> Floats:
    """Paraboloid-capped cone, form of Briscoe 1994 (from memory); the cap ends at b = R cos t."""
    a = _capped_contact(depth, radius, tan_angle)
    b = radius * np.cos(np.arctan(tan_angle))
    s = np.sqrt(np.maximum(a * a - b * b, 0.0))
    q = np.arcsin(np.minimum(b / np.maximum(a, b), 1.0))
    cap = (2 * a**3 - (b * b + 2 * a * a) * s) / (3 * radius)
    cone = (b * s / 2 + a * a / 2 * (np.pi / 2 - q)) / tan_angle
    return np.where(a <= b, _paraboloid_force(depth, radius, 0.0), 2.0 * (cap + cone))


def truncated_depth(a: Floats, radius: float, tan_angle: float) -> Floats:
    """Depth at a contact radius of a flat-truncated cone: a cot(t) acos(b / a)."""
    return np.asarray(a / tan_angle * np.arccos(np.minimum(radius / np.maximum(a, radius), 1.0)))


def _truncated_parameter(depth: Floats, radius: float, tan_angle: float) -> Floats:
    """Solve delta = b cot(t) q / cos(q) for q, where the contact radius is b / cos(q)."""
    target = depth * tan_angle / radius
    return _invert(
        lambda q: q / np.cos(q), np.zeros_like(target), np.full_like(target, np.pi / 2), target
    )


def _truncated_contact(depth: Floats, radius: float, tan_angle: float) -> Floats:
    return radius / np.cos(_truncated_parameter(depth, radius, tan_angle))


def _truncated_force(depth: Floats, radius: float, tan_angle: float) -> Floats:
    """Flat-truncated cone: cot(t) a^2 (q + cos(q) sin(q)), cos(q) = b / a, b = flat radius."""
    q = _truncated_parameter(depth, radius, tan_angle)
    return (radius / np.cos(q)) ** 2 / tan_angle * (q + np.cos(q) * np.sin(q))


register(
    ContactModel(
        "paraboloid",
        1.5,
        _paraboloid_force,
        _paraboloid_contact,
        "An ideal paraboloid on an elastic half-space, at any depth.",
        True,
        False,
    )
)
register(
    ContactModel(
        "sphere",
        1.5,
        _sphere_force,
        _sphere_contact,
        "A rigid sphere on an elastic half-space, exact in the tip's shape; strains stay small "
        "only while the depth is well below the radius.",
        True,
        False,
    )
)
register(
    ContactModel(
        "cone",
        2.0,
        _cone_force,
        _cone_contact,
        "A sharp cone on an elastic half-space; the apex must be much smaller than the depth.",
        False,
        True,
    )
)
register(
    ContactModel(
        "pyramid",
        2.0,
        _pyramid_force,
        _pyramid_contact,
        "A sharp four-sided pyramid on an elastic half-space; the apex must be much smaller than "
        "the depth.",
        False,
        True,
    )
)
register(
    ContactModel(
        "capped_cone",
        1.5,
        _capped_force,
        _capped_contact,
        "A cone with a paraboloid apex on an elastic half-space.",
        True,
        True,
    )
)
register(
    ContactModel(
        "truncated_cone",
        1.0,
        _truncated_force,
        _truncated_contact,
        "A cone with a flat end on an elastic half-space.",
        True,
        True,
    )
)
