"""Everything in an image that could be a nucleus: peaks of a band-pass at two sizes."""

import math
from dataclasses import dataclass, fields
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from engine.cells.blocks import Block, blocks
from engine.cells.noise import NoiseModel, band_pass_gain
from engine.cells.rays import measure_rays
from engine.cells.settings import DetectionSettings
from engine.cells.smoothing import half_width, smooth


@dataclass(frozen=True)
class Candidates:
    """Peaks of the band-passed image, ordered by row, then column.

    Attributes
    ----------
    row, col
        (n,) sub-pixel position, pixels of the image.
    response
        (n,) height of the band-passed image, image unit.
    contrast, background, sharpness_per_um, radius_um, narrow_radius_um
        (n,) see `engine.cells.rays.RayMeasures`.
    snr
        (n,) contrast over the pixel noise at the background's brightness.
    brightest
        (n,) brightest raw pixel within one pixel of the peak.
    """

    row: NDArray[np.float64]
    col: NDArray[np.float64]
    response: NDArray[np.float64]
    contrast: NDArray[np.float64]
    background: NDArray[np.float64]
    sharpness_per_um: NDArray[np.float64]
    radius_um: NDArray[np.float64]
    narrow_radius_um: NDArray[np.float64]
    snr: NDArray[np.float64]
    brightest: NDArray[np.float64]

    def take(self, keep: NDArray[Any]) -> "Candidates":
        """Pick candidates by mask or index."""
        return Candidates(*(getattr(self, f.name)[keep] for f in fields(self)))


@dataclass(frozen=True)
class Survey:
    """Candidates and what the pass over the image saw besides.

    Attributes
    ----------
    candidates
        All of them.
    lowest, highest
        Extremes of the finite pixels, image unit.
    at_highest
        Pixels that have the highest value.
    missing
        Pixels that are not finite.
    """

    candidates: Candidates
    lowest: float
    highest: float
    at_highest: int
    missing: int


@dataclass(frozen=True)
class Scales:
    """Widths of the filters in pixels of one image, and what they do to noise."""

    inner_px: tuple[float, float]
    outer_px: tuple[float, float]
    edge_px: float
    peak_px: int
    reach_px: int
    gain: float

    @property
    def margin_px(self) -> int:
        """Surround a block needs so that its core comes out as in the whole image."""
        return max(map(half_width, self.outer_px)) + self.peak_px + 2 + self.reach_px


def scales_of(pixel_um: float, settings: DetectionSettings) -> Scales:
    """Filter widths for a pixel size; a blob of diameter d answers most at sigma = d/(2 sqrt 2)."""
    inner = tuple(
        d / (2 * math.sqrt(2)) / pixel_um
        for d in (settings.small_diameter_um, settings.large_diameter_um)
    )
    outer = tuple(settings.outer_ratio * s for s in inner)
    reach = settings.profile_reach_um + 4 * settings.edge_scale_um
    return Scales(
        inner_px=(inner[0], inner[1]),
        outer_px=(outer[0], outer[1]),
        edge_px=settings.edge_scale_um / pixel_um,
        peak_px=max(1, round(settings.peak_radius_um / pixel_um)),
        reach_px=math.ceil(reach / pixel_um) + 3,
        gain=band_pass_gain(inner[0], outer[0]),
    )


@numba.njit(cache=True, nogil=True)
def _is_peak(image, r, c, radius):  # type: ignore[no-untyped-def]
    value = image[r, c]
    for i in range(r - radius, r + radius + 1):
        for j in range(c - radius, c + radius + 1):
            other = image[i, j]
            # on a plateau the first pixel in reading order is the peak
            if other > value or (other == value and (i < r or (i == r and j < c))):
                return False
    return True


@numba.njit(cache=True, nogil=True)
def _peaks(image, floor, margin, radius):  # type: ignore[no-untyped-def]
    rows, cols = image.shape
    out_r, out_c = [0], [0]
    for r in range(margin, rows - margin):
        for c in range(margin, cols - margin):
            v = image[r, c]
            if (
                v > floor
                and v >= image[r, c - 1]
                and v >= image[r, c + 1]
                and v >= image[r - 1, c]
                and v >= image[r + 1, c]
                and _is_peak(image, r, c, radius)
            ):
                out_r.append(r)
                out_c.append(c)
    return np.array(out_r[1:]), np.array(out_c[1:])


def _vertex(
    before: NDArray[np.float32], at: NDArray[np.float32], after: NDArray[np.float32]
) -> NDArray[np.float64]:
    """Offset of a parabola's top from its middle point, within half a pixel."""
    left, mid, right = (np.asarray(v, dtype=np.float64) for v in (before, at, after))
    bend = left - 2 * mid + right
    offset = np.divide(0.5 * (left - right), bend, out=np.zeros_like(bend), where=bend < 0)
    return np.clip(offset, -0.5, 0.5)


def _brightest(pixels: NDArray[np.float32], r: NDArray[np.int64], c: NDArray[np.int64]) -> Any:
    near = [pixels[r + i, c + j] for i in (-1, 0, 1) for j in (-1, 0, 1)]
    return np.max(near, axis=0).astype(np.float64)


def _band_pass(pixels: NDArray[np.float32], scales: Scales) -> NDArray[np.float32]:
    best = smooth(pixels, scales.inner_px[0])
    best -= smooth(pixels, scales.outer_px[0])
    coarse = smooth(pixels, scales.inner_px[1])
    coarse -= smooth(pixels, scales.outer_px[1])
    return np.maximum(best, coarse, out=best)


def _in_block(
    block: Block, pixel_um: float, scales: Scales, noise: NoiseModel, settings: DetectionSettings
) -> Candidates:
    m = block.margin
    response = _band_pass(block.pixels, scales)
    least = settings.noise_floor_sd * scales.gain * noise.smallest_sd
    r, c = _peaks(response, np.float32(least), m, scales.peak_px)
    row_part = _vertex(response[r - 1, c], response[r, c], response[r + 1, c])
    col_part = _vertex(response[r, c - 1], response[r, c], response[r, c + 1])
    smoothed = smooth(block.pixels, scales.edge_px)
    rays = measure_rays(smoothed, r, c, row_part, col_part, pixel_um, settings.profile_reach_um)
    sd = noise.sd_at(rays.background)
    height = response[r, c].astype(np.float64)
    found = Candidates(
        row=(r - m + block.row) + row_part,
        col=(c - m + block.col) + col_part,
        response=height,
        contrast=rays.contrast,
        background=rays.background,
        sharpness_per_um=rays.sharpness_per_um,
        radius_um=rays.radius_um,
        narrow_radius_um=rays.narrow_radius_um,
        snr=rays.contrast / sd,
        brightest=_brightest(block.pixels, r, c),
    )
    return found.take((height > settings.noise_floor_sd * scales.gain * sd) & (found.contrast > 0))


def survey(image: Any, pixel_um: float, noise: NoiseModel, settings: DetectionSettings) -> Survey:
    """Find all candidates, block by block.

    Parameters
    ----------
    image
        (rows, cols), anything that slices to an array.
    pixel_um
        Pixel size.
    noise
        Pixel noise, one model for the whole image.
    settings
        Settings.
    """
    scales = scales_of(pixel_um, settings)
    parts: list[Candidates] = []
    lowest, highest, at_highest, missing = math.inf, -math.inf, 0, 0
    for block in blocks(image, settings.block_px, scales.margin_px):
        core = block.core
        top = float(core.max())
        count = int(np.count_nonzero(core == np.float32(top)))
        at_highest = count if top > highest else at_highest + count * (top == highest)
        highest, lowest = max(highest, top), min(lowest, float(core.min()))
        missing += block.missing
        parts.append(_in_block(block, pixel_um, scales, noise, settings))
    joined = Candidates(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Candidates))
    )
    ordered = joined.take(np.lexsort((joined.col, joined.row)))
    return Survey(ordered, lowest, highest, at_highest, missing)
