"""What stitching comes to, as plain arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Links:
    """Offsets measured in overlaps of pairs of tiles.

    Attributes
    ----------
    pairs
        (m, 2) numbers of the tiles, the smaller first.
    offset_px
        (m, 2) measured offset (row, col) of the second tile's first pixel from the first one's.
    correlation
        (m,) normalised correlation of the band-passed overlaps at that offset, -1 to 1.
    peak_ratio
        (m,) height of the best peak over that of the second best.
    structures
        (m,) number of nuclei, or their like, that the correlation rests on.
    accepted
        (m,) whether all of these are high enough for the offset to be believed by itself.
    candidates_px
        (m, k, 2) offsets of the highest peaks, best first; NaN where there are fewer.
    candidate_correlation
        (m, k) their correlations; zero where the overlap shows nothing but noise.
    """

    pairs: NDArray[np.int64]
    offset_px: NDArray[np.float64]
    correlation: NDArray[np.float64]
    peak_ratio: NDArray[np.float64]
    structures: NDArray[np.float64]
    accepted: NDArray[np.bool_]
    candidates_px: NDArray[np.float64]
    candidate_correlation: NDArray[np.float64]


@dataclass(frozen=True)
class Registration:
    """Where the tiles lie.

    Attributes
    ----------
    position_px
        (n, 2) nominal positions (row, col) of the tiles' first pixels.
    correction_px
        (n, 2) what is added to them; the mean over the tiles is zero.
    links
        The measured offsets.
    residual_px
        (m,) distance of each measured offset from what the corrected positions say.
    consistent
        (m,) accepted links whose residual is small.
    link_count
        (n,) consistent links of each tile.
    flags
        (n,) bit masks over `engine.stitching.flags.FLAGS`.
    """

    position_px: NDArray[np.float64]
    correction_px: NDArray[np.float64]
    links: Links
    residual_px: NDArray[np.float64]
    consistent: NDArray[np.bool_]
    link_count: NDArray[np.int64]
    flags: NDArray[np.uint32]

    @property
    def corrected_px(self) -> NDArray[np.float64]:
        """Corrected positions (row, col), (n, 2)."""
        return self.position_px + self.correction_px


@dataclass(frozen=True)
class FlatField:
    """How brightness falls off over a tile: seen = dark + flat x (true - dark).

    Attributes
    ----------
    coefficients
        (k,) of the logarithm of the flat field, see `engine.stitching.flat.gain_rows`.
    powers
        (k, 2) powers of (row, col) that go with them; row and col run from -1 to 1 over a tile.
    dark
        Level that the shading does not act on (camera offset), image unit.
    low
        Level of the darkest surround, image unit: what no tile covers is filled with it.
    estimated
        False where it could not be told: then the field is one everywhere.
    depth
        1 - smallest over largest value of the field.
    """

    coefficients: NDArray[np.float64]
    powers: NDArray[np.int64]
    dark: float
    low: float
    estimated: bool
    depth: float
