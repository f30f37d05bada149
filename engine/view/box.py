"""The part of the disc that a picture shows."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

MAX_PIXELS = 16_777_216
"""Largest picture, 4096 x 4096."""


@dataclass(frozen=True)
class Box:
    """A rectangle of the disc frame and the pixels it is drawn with, of one scale in x and y.

    Attributes
    ----------
    centre_x_um, centre_y_um
        Its centre.
    um_per_px
        Side of a pixel.
    width_px, height_px
        Size of the picture.
    """

    centre_x_um: float
    centre_y_um: float
    um_per_px: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        numbers = (self.centre_x_um, self.centre_y_um, self.um_per_px)
        if not all(isfinite(n) for n in numbers) or self.um_per_px <= 0:
            raise ValueError(f"a finite centre and a positive scale are required, got {numbers}")
        if min(self.width_px, self.height_px) < 1 or self.width_px * self.height_px > MAX_PIXELS:
            raise ValueError(
                f"a picture must have 1 to {MAX_PIXELS} pixels, "
                f"got {self.width_px} x {self.height_px}"
            )

    @property
    def x0_um(self) -> float:
        """Left edge."""
        return self.centre_x_um - 0.5 * self.width_px * self.um_per_px

    @property
    def y0_um(self) -> float:
        """Upper edge."""
        return self.centre_y_um - 0.5 * self.height_px * self.um_per_px

    @property
    def x1_um(self) -> float:
        """Right edge."""
        return self.centre_x_um + 0.5 * self.width_px * self.um_per_px

    @property
    def y1_um(self) -> float:
        """Lower edge."""
        return self.centre_y_um + 0.5 * self.height_px * self.um_per_px

    def pixels_of(
        self, x_um: NDArray[np.float64], y_um: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give the picture positions of disc positions; pixel (0, 0) is centred at (0, 0).

        The centre is taken off first, so that nothing is lost at a nanometre a pixel.
        """
        x = (x_um - self.centre_x_um) / self.um_per_px + 0.5 * (self.width_px - 1)
        y = (y_um - self.centre_y_um) / self.um_per_px + 0.5 * (self.height_px - 1)
        return x, y

    def holds(
        self, x_um: NDArray[np.float64], y_um: NDArray[np.float64], margin_px: float = 0.0
    ) -> NDArray[np.bool_]:
        """Tell which disc positions lie in the box, or within a margin of it."""
        m = margin_px * self.um_per_px
        inside: NDArray[np.bool_] = (
            (x_um >= self.x0_um - m)
            & (x_um <= self.x1_um + m)
            & (y_um >= self.y0_um - m)
            & (y_um <= self.y1_um + m)
        )
        return inside
