"""Brightness of every stain at every nucleus, above the ground round it.

The ground of a cell is told from a ring that keeps clear of every nucleus, as in photometry with an
aperture: the median of its pixels after those far from it were left out (clipping; Stetson 1987,
Publ. Astron. Soc. Pac. 99:191, for the ring; the clip at three standard deviations is common
practice). A ring too crowded to hold enough pixels is widened; a cell without ground has no value.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from engine.cells.blocks import Block, blocks, read_block
from engine.cells.intensity_settings import IntensitySettings
from engine.cells.photometry import measure_nuclei
from engine.cells.segments import Nuclei, nuclei_with_neighbours, paint_labels
from engine.cells.smoothing import half_width

TOPS: Final = (255.0, 1023.0, 4095.0, 16383.0, 65535.0)
"""Ends of a camera's range, by its bits: pixels at an image's highest value count as saturated only
if that is one of these."""
_SATURATED_PIXELS_MIN = 30

TakeLabels = Callable[[int, int, NDArray[np.uint32]], None]
"""``take(row, col, labels)``: labels of a block whose first pixel is (row, col)."""


@dataclass(frozen=True)
class CellIntensities:
    """Brightness of c stains at n nuclei, in the image's unit (counts).

    Attributes
    ----------
    mean
        (c, n) mean over the nucleus less the ground; NaN where there is no ground.
    rim
        (c, n) the same over a rim round the nucleus, where what lies round a cell shows.
    ground
        (c, n) the ground that was taken off.
    saturated
        (c, n) share of the pixels of nucleus and rim that stand at the top of the camera's range.
    area_px
        (n,) pixels of the nucleus.
    top
        (c,) top of the camera's range; NaN where the channel does not reach it.
    empty
        (c,) whether a channel has but one value, or none: nothing is measured in it.
    """

    mean: NDArray[np.float64]
    rim: NDArray[np.float64]
    ground: NDArray[np.float64]
    saturated: NDArray[np.float64]
    area_px: NDArray[np.int64]
    top: NDArray[np.float64]
    empty: NDArray[np.bool_]


@dataclass(frozen=True)
class _Radii:
    """Distances beyond a nucleus's radius, pixels."""

    rim_from: float
    rim_to: float
    ground_from: float
    ground_to: float
    ground_to_max: float
    clear: float


def _radii(pixel_um: float, s: IntensitySettings) -> _Radii:
    return _Radii(
        s.rim_from_um / pixel_um,
        s.rim_to_um / pixel_um,
        s.ground_from_um / pixel_um,
        s.ground_to_um / pixel_um,
        s.ground_to_max_um / pixel_um,
        s.clear_of_others_um / pixel_um,
    )


def measure_cells(
    nuclei: Any,
    channels: Sequence[Any],
    pixel_um: float,
    x_um: NDArray[np.float64],
    y_um: NDArray[np.float64],
    diameter_um: NDArray[np.float64],
    contrast: NDArray[np.float64],
    settings: IntensitySettings | None = None,
    take_labels: TakeLabels | None = None,
    block_px: int = 2048,
) -> CellIntensities:
    """Measure every stain at every nucleus, block by block.

    Parameters
    ----------
    nuclei
        (rows, cols) image that the nuclei were found in: an array or anything that slices to one.
    channels
        Images of the same shape, one a stain; that of the nuclei may be among them, at any place.
    pixel_um
        Pixel size.
    x_um, y_um, diameter_um, contrast
        (n,) nuclei; positions from the centre of the image's first pixel.
    settings
        Settings.
    take_labels
        Takes the label image (number + 1, 0 for none) of each block, as it comes.
    block_px
        Side of the blocks; the result is the same, bit for bit, whatever it is.

    Returns
    -------
    CellIntensities
        One value a stain and nucleus.

    Raises
    ------
    ValueError
        If shapes differ or the pixel size is not positive.
    """
    _checked(nuclei, channels, pixel_um, (x_um, y_um, diameter_um, contrast))
    s = settings or IntensitySettings()
    radii, edge_px = _radii(pixel_um, s), s.edge_scale_um / pixel_um
    radius = np.clip(0.5 * diameter_um, 0.25, s.radius_max_um) / pixel_um
    far = radii.ground_to_max + 2 * radius.max(initial=1.0) + radii.clear
    found = nuclei_with_neighbours(y_um / pixel_um, x_um / pixel_um, radius, contrast, far)
    around = int(np.ceil(radius.max(initial=1.0) + max(radii.ground_to_max, radii.rim_to))) + 1
    margin = around + 2 * found.reach_px + half_width(edge_px)
    reach = max(found.reach_px, int(np.ceil(radius.max(initial=1.0) + radii.rim_to)) + 1)
    distances = np.array([*vars(radii).values()])
    n, c = len(x_um), len(channels)
    mean, rim, ground, saturated = (np.full((c, n), np.nan) for _ in range(4))
    area, ends, empty = np.zeros(n, np.int64), np.full(c, np.nan), np.zeros(c, bool)
    result = CellIntensities(mean, rim, ground, saturated, area, ends, empty)
    counts, extremes = np.zeros((c, n, len(TOPS) + 1), np.int64), [_Extremes() for _ in channels]
    for block in blocks(nuclei, block_px, margin):
        top, left = block.row - margin, block.col - margin
        near = _within(found, block, margin)
        labels = paint_labels(block.pixels, top, left, found, near, edge_px)
        if take_labels is not None:
            take_labels(block.row, block.col, _core(labels, block))
        mine = _within(found, block, 0)
        for channel, image in enumerate(channels):  # one at a time: there may be many
            seen = read_block(
                image, block.row, block.col, block.rows, block.cols, margin, fill=False
            )
            extremes[channel].see(seen.core)
            if mine.size:
                measure_nuclei(
                    seen.pixels, labels, top, left, mine, found.row, found.col, found.radius_px,
                    found.starts, found.others, reach, distances, s.ground_pixels_min, s.clip_sd,
                    np.array(TOPS), (2 * around + 3) ** 2, result.mean[channel],
                    result.rim[channel], result.ground[channel], counts[channel], result.area_px,
                )  # fmt: skip
    _finish(result, counts, extremes)
    return result


def _checked(nuclei: Any, channels: Sequence[Any], pixel_um: float, columns: Sequence[Any]) -> None:
    shapes = {tuple(image.shape) for image in (nuclei, *channels)}
    if len(shapes) != 1 or len(next(iter(shapes))) != 2:
        raise ValueError(f"images must be (rows, cols) of one shape, got {sorted(shapes)}")
    if not np.isfinite(pixel_um) or pixel_um <= 0:
        raise ValueError(f"pixel_um must be > 0, got {pixel_um}")
    if len({len(column) for column in columns}) != 1:
        raise ValueError(f"columns must have one length, got {[len(c) for c in columns]}")


def _core(labels: NDArray[np.uint32], block: Block) -> NDArray[np.uint32]:
    m = block.margin
    return labels[m : m + block.rows, m : m + block.cols]


def _within(nuclei: Nuclei, block: Block, margin: int) -> NDArray[np.int64]:
    """Nuclei whose centre pixel lies in a block's core or within a margin of it."""
    r, c = np.rint(nuclei.row), np.rint(nuclei.col)
    inside = (r >= block.row - margin) & (r < block.row + block.rows + margin)
    inside &= (c >= block.col - margin) & (c < block.col + block.cols + margin)
    return np.flatnonzero(inside).astype(np.int64)


@dataclass
class _Extremes:
    """Lowest and highest value of a channel so far, and how many pixels have the highest."""

    lowest: float = np.inf
    highest: float = -np.inf
    at_highest: int = 0

    def see(self, core: NDArray[np.float32]) -> None:
        known = core[np.isfinite(core)]
        self.lowest = min(self.lowest, float(known.min(initial=np.inf)))
        top = float(known.max(initial=-np.inf))
        if top < self.highest:
            return
        before = self.at_highest if top == self.highest else 0
        self.highest = top
        self.at_highest = before + int(np.count_nonzero(known == np.float32(top)))


def _finish(
    result: CellIntensities, counts: NDArray[np.int64], extremes: Sequence[_Extremes]
) -> None:
    result.mean[...] -= result.ground
    result.rim[...] -= result.ground
    looked_at = counts[..., len(TOPS)]
    for channel, seen in enumerate(extremes):
        full = seen.highest in TOPS and seen.at_highest >= _SATURATED_PIXELS_MIN
        there = counts[channel, :, TOPS.index(seen.highest)] if full else 0 * looked_at[channel]
        result.top[channel] = seen.highest if full else np.nan
        np.divide(
            there, looked_at[channel], out=result.saturated[channel], where=looked_at[channel] > 0
        )
        result.empty[channel] = seen.lowest >= seen.highest
    for values in (result.mean, result.rim, result.ground, result.saturated):
        values[result.empty] = np.nan
