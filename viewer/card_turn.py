"""How a site's own picture is laid on the card: turned by quarters, as near the plane as can be.

A place at the upper left of a map on the plane is then at the upper left on the card, and nothing
is ever mirrored against the plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.footprint import Footprint

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Turn:
    """A turn from a site's own frame (u, v) to the card (x to the right, y upwards).

    Attributes
    ----------
    quarters
        Quarter turns counter-clockwise, 0 to 3, after the mirror.
    mirror
        Whether v is first turned over.
    rest_deg
        Angle by which the picture is still turned against the plane, -45 to 45, counter-clockwise.
    """

    quarters: int
    mirror: bool
    rest_deg: float

    def points(self, u: ArrayLike, v: ArrayLike) -> tuple[Floats, Floats]:
        """Give x and y of points (u, v)."""
        right, up = np.asarray(u, float), np.asarray(v, float)
        up = -up if self.mirror else up
        for _ in range(self.quarters):
            right, up = -up, right
        return right, up

    def array(self, image: NDArray[Any]) -> NDArray[Any]:
        """Turn an image (v, u), row 0 of the smallest v, into (y, x), bottom row first."""
        # rot90 turns counter-clockwise where row 0 is the top: here it is the bottom
        return np.rot90(image[::-1] if self.mirror else image, -self.quarters)

    def size(self, along_u: float, along_v: float) -> tuple[float, float]:
        """Give width and height on the card."""
        return (along_v, along_u) if self.quarters % 2 else (along_u, along_v)


def turn_of(footprint: Footprint) -> Turn:
    """Choose the turn of a site: the plane's y runs downwards, the card's upwards."""
    u, v = footprint.u_axis, footprint.v_axis
    angle = float(np.degrees(np.arctan2(-u[1], u[0])))
    quarters = round(angle / 90.0)
    mirror = bool(u[0] * v[1] - u[1] * v[0] > 0)
    return Turn(quarters % 4, mirror, 90.0 * quarters - angle)


def turn_words(turn: Turn) -> str:
    """Say how a picture lies against the plane."""
    angle = round(abs(turn.rest_deg))
    if not angle:
        return "Lies as on the disc."
    way = "counter-clockwise" if turn.rest_deg > 0 else "clockwise"
    return f"Turned {angle}° {way} against the disc."
