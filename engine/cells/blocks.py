"""An image in overlapping blocks, each with the surround it needs to give the same answer."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Block:
    """One block.

    Attributes
    ----------
    pixels
        (rows, cols) float32, the core with ``margin`` pixels round it; beyond the image's edge the
        image is mirrored.
    row, col
        The core's first pixel in the image.
    rows, cols
        The core's size, pixels.
    margin
        Pixels round the core.
    missing
        Pixels of the core that were not finite (they were set to zero, unless asked otherwise).
    """

    pixels: NDArray[np.float32]
    row: int
    col: int
    rows: int
    cols: int
    margin: int
    missing: int

    @property
    def core(self) -> NDArray[np.float32]:
        """The core alone, (rows, cols)."""
        m = self.margin
        return self.pixels[m : m + self.rows, m : m + self.cols]


def _mirror(start: int, stop: int, length: int) -> NDArray[np.int64]:
    """Fold start..stop-1 back into 0..length-1, edge pixels repeated."""
    index = np.arange(start, stop) % (2 * length)
    return np.where(index < length, index, 2 * length - 1 - index)


def read_block(
    image: Any, row: int, col: int, rows: int, cols: int, margin: int, fill: bool = True
) -> Block:
    """Read one block; parameters as in `Block` and `blocks`."""
    r = _mirror(row - margin, row + rows + margin, image.shape[0])
    c = _mirror(col - margin, col + cols + margin, image.shape[1])
    held = np.asarray(image[r.min() : r.max() + 1, c.min() : c.max() + 1], dtype=np.float32)
    pixels = held[np.ix_(r - r.min(), c - c.min())]
    bad = ~np.isfinite(pixels)
    inner = slice(margin, margin + rows), slice(margin, margin + cols)
    missing = int(np.count_nonzero(bad[inner]))
    if bad.any():
        pixels[bad] = 0.0 if fill else np.nan
    return Block(pixels, row, col, rows, cols, margin, missing)


def blocks(image: Any, side_px: int, margin_px: int, fill: bool = True) -> Iterator[Block]:
    """Blocks that tile an image, row by row.

    Parameters
    ----------
    image
        (rows, cols), anything that slices to an array: only one block is held at a time.
    side_px
        Side of the cores.
    margin_px
        Surround that comes with each core.
    fill
        Whether pixels that are not finite are set to zero; else they are NaN.
    """
    rows, cols = image.shape
    for row in range(0, rows, side_px):
        for col in range(0, cols, side_px):
            yield read_block(
                image, row, col, min(side_px, rows - row), min(side_px, cols - col), margin_px, fill
            )
