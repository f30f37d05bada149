"""Laying fibrils one over another on an uneven ground, and tracing them with a blunt probe."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_zarr.recipe import BAND_PERIOD_NM
from demo_zarr.scene import FloatArray, SmoothField

IntArray = npt.NDArray[np.int64]

_BAND_DEPTH = 0.075
"""Depth of the gap between bands, in radii of the fibril."""


@dataclass(frozen=True)
class Sway:
    """How a fibril's axis leaves its straight line.

    Attributes
    ----------
    amplitude_nm, wavelength_nm, phase
        Of the sine that its axis follows.
    band_phase
        Where its bands begin, radians.
    """

    amplitude_nm: float
    wavelength_nm: float
    phase: float
    band_phase: float


@dataclass(frozen=True)
class Strand:
    """One fibril's axis, one element a column (or, where it is steep, a row) of the picture.

    Attributes
    ----------
    steep
        Whether it runs closer to v than to u.
    u_nm, v_nm, height_nm
        Its axis, site's own frame, shape (px,).
    lean
        Slope of the axis in the plane against the axis that it follows, shape (px,).
    pace_nm
        Length along the axis, in space, of each element, shape (px,).
    first
        Pixel across at which the axis lies, shape (px,); may be outside the picture.
    radius_nm, band_phase
        Radius; where its bands begin.
    """

    steep: bool
    u_nm: FloatArray
    v_nm: FloatArray
    height_nm: FloatArray
    lean: FloatArray
    pace_nm: FloatArray
    first: IntArray
    radius_nm: float
    band_phase: float

    @property
    def across_nm(self) -> FloatArray:
        """Position of the axis across, shape (px,)."""
        return self.u_nm if self.steep else self.v_nm

    @property
    def direction(self) -> FloatArray:
        """Direction of the axis, radians from +u towards +v, shape (px,)."""
        one = np.ones_like(self.lean)
        return np.arctan2(one, self.lean) if self.steep else np.arctan2(self.lean, one)


class Canvas:
    """A picture of heights that keeps the highest surface, and whose it is.

    Attributes
    ----------
    height_nm
        Heights, shape (px, px); minus infinity where nothing lies yet.
    owner
        Index of the fibril that shows, -1 for none, shape (px, px).
    strands
        The fibrils laid so far.
    place_nm
        Positions of the pixels' centres along either axis, shape (px,).
    """

    def __init__(self, px: int, pixel_nm: float, ground: SmoothField, swell_nm: float) -> None:
        self.pixel_nm = pixel_nm
        centred = np.arange(px, dtype=np.float64) - (px - 1) / 2.0
        self.place_nm: FloatArray = np.asarray(centred * pixel_nm, dtype=np.float64)
        self.height_nm: FloatArray = np.full((px, px), -np.inf)
        self.owner: IntArray = np.full((px, px), -1, dtype=np.int64)
        self.strands: list[Strand] = []
        self._ground, self._swell_nm = ground, swell_nm

    def base(self, u_nm: npt.ArrayLike, v_nm: npt.ArrayLike) -> FloatArray:
        """Undulation of the surface at positions of any shape, nm."""
        return np.asarray(self._swell_nm * self._ground.at(u_nm, v_nm), dtype=np.float64)

    def lay(
        self, start_nm: float, angle: float, radius_nm: float, lift_nm: float, sway: Sway
    ) -> None:
        """Lay one fibril over what lies there.

        Parameters
        ----------
        start_nm
            Where its straight line crosses the axis that it doesn't follow.
        angle
            Direction, radians from +u towards +v.
        radius_nm, lift_nm
            Radius; height of its axis above the undulation.
        sway
            How it leaves its straight line.
        """
        steep = abs(np.cos(angle)) < abs(np.sin(angle))
        slope = 1.0 / np.tan(angle) if steep else np.tan(angle)
        step, wave = self.place_nm, 2 * np.pi / sway.wavelength_nm
        turn = wave * step + sway.phase
        across: FloatArray = start_nm + slope * step + sway.amplitude_nm * np.sin(turn)
        lean: FloatArray = slope + sway.amplitude_nm * wave * np.cos(turn)
        u, v = (across, step) if steep else (step, across)
        height = self.base(u, v) + lift_nm
        rise = np.asarray(np.gradient(height, self.pixel_nm), dtype=np.float64)
        strand = Strand(
            steep=steep,
            u_nm=u,
            v_nm=v,
            height_nm=height,
            lean=lean,
            pace_nm=np.sqrt(1 + lean**2 + rise**2) * self.pixel_nm,
            first=np.rint((across - step[0]) / self.pixel_nm).astype(np.int64),
            radius_nm=radius_nm,
            band_phase=sway.band_phase,
        )
        self._paint(strand)
        self.strands.append(strand)

    def _paint(self, strand: Strand) -> None:
        cos = 1 / np.sqrt(1 + strand.lean**2)
        half = int(np.ceil(strand.radius_nm / cos.min() / self.pixel_nm)) + 1
        rows = strand.first[:, None] + np.arange(-half, half + 1)
        columns = np.broadcast_to(np.arange(cos.size)[:, None], rows.shape)
        off = self.place_nm[0] + rows * self.pixel_nm - strand.across_nm[:, None]
        # The nearest point of a gently swaying axis lies off * sin(lean) further along.
        along = np.cumsum(strand.pace_nm)[:, None] + off * (strand.lean * cos)[:, None]
        gap = 0.5 + 0.5 * np.cos(2 * np.pi * along / BAND_PERIOD_NM + strand.band_phase)
        size = strand.radius_nm * (1.0 - _BAND_DEPTH * gap)
        distance = np.abs(off * cos[:, None])
        inside = (rows >= 0) & (rows < cos.size) & (distance < size)
        axis = np.broadcast_to(strand.height_nm[:, None], rows.shape)[inside]
        height = axis + np.sqrt(size[inside] ** 2 - distance[inside] ** 2)
        where = self._where(strand.steep, rows[inside], columns[inside])
        higher = height > self.height_nm[where]
        chosen = (where[0][higher], where[1][higher])
        self.height_nm[chosen] = height[higher]
        self.owner[chosen] = len(self.strands)

    @staticmethod
    def _where(steep: bool, across: IntArray, along: IntArray) -> tuple[IntArray, IntArray]:
        """Row and column of a pixel given across and along a strand."""
        return (along, across) if steep else (across, along)

    def shown(self, index: int) -> npt.NDArray[np.bool_]:
        """Where along its axis a fibril shows, shape (px,)."""
        strand = self.strands[index]
        line = np.arange(strand.first.size)
        within = (strand.first >= 0) & (strand.first < line.size)
        where = self._where(strand.steep, np.where(within, strand.first, 0), line)
        return np.asarray(within & (self.owner[where] == index))


def dilate(surface_nm: FloatArray, pixel_nm: float, radius_nm: float) -> FloatArray:
    """Surface as a paraboloid of the given apex radius traces it.

    The paraboloid is a sum of one in u and one in v, so the dilation is done along each axis.

    Parameters
    ----------
    surface_nm
        Heights, shape (rows, cols).
    pixel_nm
        Pixel size.
    radius_nm
        Apex radius.
    """
    span = float(surface_nm.max() - surface_nm.min())
    reach = int(np.ceil(np.sqrt(2 * radius_nm * span) / pixel_nm))
    out = surface_nm
    for axis in (0, 1):
        padded = np.moveaxis(out, axis, 0)
        best = padded.copy()
        for shift in range(1, min(reach, padded.shape[0] - 1) + 1):
            drop = (shift * pixel_nm) ** 2 / (2 * radius_nm)
            np.maximum(best[shift:], padded[:-shift] - drop, out=best[shift:])
            np.maximum(best[:-shift], padded[shift:] - drop, out=best[:-shift])
        out = np.moveaxis(best, 0, axis)
    return np.asarray(out)
