"""The flat field: how brightness falls off over a tile, told from the tiles themselves.

Model: seen = dark + flat x (true - dark), the flat field a smooth function with mean one. Each tile
is reduced to medians of blocks, in which sparse nuclei do not show; what the blocks of many tiles
have in common, whatever lay under them, is the flat field. Where two tiles show the same spot,
their ratio is that of the flat field at two places, whatever the spot is.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.stitching.overlaps import OverlapSamples
from engine.stitching.results import FlatField
from engine.stitching.settings import StitchingSettings

BLOCKS = 16
"""Blocks along each side of a tile."""
_PIXELS_A_BLOCK = 24
"""About so many pixels along each side of a block are looked at."""
_ROUNDS = 12
_CAUCHY = 2.385
"""Cauchy's constant for 95 % efficiency on normal errors (Holland and Welsch, 1977)."""
_MAD_TO_SD = 1.4826
_SHARED_BLOCKS = 16.0
"""So many blocks say the same thing: what lies under them is larger than a block; a convention."""
_OVERLAPS_MIN = 60
"""With fewer patches in overlaps the dark level is told by the blocks."""
_SCALE_MIN = 0.3
_SCALE_LEAST = 1e-9
_GAIN_MAX = 5.0
_GRID = np.linspace(0.0, 0.98, 29)
"""Shares of the darkest block that are tried as the dark level."""
_DISAGREE_MAX = 0.5
"""The field is believed if its error, told by halves of the tiles, is a smaller share of it."""


def block_medians(tile: NDArray[Any]) -> NDArray[np.float64]:
    """Reduce a tile to the medians of its blocks, (BLOCKS, BLOCKS); NaN pixels are left out.

    Parameters
    ----------
    tile
        (rows, cols). Of large blocks a regular part of the pixels is looked at.
    """
    rows, cols = (np.linspace(0, n, BLOCKS + 1).astype(int) for n in tile.shape)
    step = [max(1, n // (BLOCKS * _PIXELS_A_BLOCK)) for n in tile.shape]
    found = np.full((BLOCKS, BLOCKS), np.nan)
    for i in range(BLOCKS):
        for j in range(BLOCKS):
            part = tile[rows[i] : rows[i + 1] : step[0], cols[j] : cols[j + 1] : step[1]]
            values = part[np.isfinite(part)] if part.dtype.kind == "f" else part
            if values.size:
                found[i, j] = np.median(values)
    return found


def no_flat_field(blocks: ArrayLike) -> FlatField:
    """Take the field for one everywhere; only the level of the surround is told."""
    nothing = np.empty(0)
    return FlatField(nothing, np.empty((0, 2), np.int64), 0.0, _low(np.asarray(blocks)), False, 0.0)


def estimate_flat(
    blocks: ArrayLike,
    overlaps: OverlapSamples | None = None,
    settings: StitchingSettings | None = None,
) -> FlatField:
    """Estimate the flat field and the dark level.

    The logarithm of the field is a polynomial of row and column. It is fitted to two things at
    once: to what the blocks of all tiles have in common, one brightness a tile and blocks that do
    not follow (edges of the tissue, crowded nuclei) losing their weight; and to the ratios of what
    two tiles show of the same spot, which know nothing of the scene. A number of dark levels are
    tried; the one at which overlaps (or, without them, blocks) agree best is taken. The field is
    believed only where two halves of the tiles tell of the same one.

    Parameters
    ----------
    blocks
        (n, BLOCKS, BLOCKS) of `block_medians`, one a tile.
    overlaps
        Patches seen by two tiles, as `sample_overlaps` takes them.
    settings
        Degree of the polynomial, least number of tiles.
    """
    s = settings or StitchingSettings()
    blocks = np.asarray(blocks, float)
    seen = blocks.reshape(len(blocks), -1)
    seen = seen[(seen > 0).all(axis=1)]  # NaN and what the camera cut off tell nothing
    if len(seen) < s.flat_tiles_min:
        return no_flat_field(blocks)
    data = _Data.of(seen, overlaps, _powers(s.flat_degree))
    tried = [(*data.fit(dark), dark) for dark in _GRID * data.darkest]
    _, coefficients, dark = min(tried, key=lambda found: found[0])
    field = np.exp(data.design @ coefficients)
    halves = [np.exp(data.design @ data.half(i).fit(dark)[1]) for i in (0, 1)]
    if field.max() / field.min() > _GAIN_MAX or not _agree(field, halves[0], halves[1]):
        return no_flat_field(blocks)
    depth = float(1 - field.min() / field.max())
    low = _low(dark + (seen - dark) / field)
    # the constant that makes the mean of the field one stands first
    level = np.concatenate([[-np.log(field.mean())], coefficients])
    powers = np.vstack([np.zeros((1, 2), np.int64), data.powers])
    return FlatField(level, powers, float(dark), low, True, depth)


@dataclass(frozen=True)
class _Data:
    """What the field is fitted to: blocks of tiles, and patches of overlaps."""

    seen: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    powers: NDArray[np.int64]
    design: NDArray[np.float64]
    first_design: NDArray[np.float64]
    second_design: NDArray[np.float64]

    @staticmethod
    def of(
        seen: NDArray[np.float64], overlaps: OverlapSamples | None, powers: NDArray[np.int64]
    ) -> "_Data":
        at = (2 * np.arange(BLOCKS) + 1) / BLOCKS - 1
        grid = np.stack(np.meshgrid(at, at, indexing="ij"), axis=-1).reshape(-1, 2)
        none = np.empty((0, 2))
        first_at, second_at = (none, none) if overlaps is None else (
            overlaps.first_at, overlaps.second_at
        )  # fmt: skip
        first, second = (
            (np.empty(0),) * 2 if overlaps is None else (overlaps.first, overlaps.second)
        )
        sound = (first > 0) & (second > 0)
        designs = [_design(p, powers) for p in (grid, first_at[sound], second_at[sound])]
        return _Data(seen, first[sound], second[sound], powers, designs[0], designs[1], designs[2])

    @property
    def darkest(self) -> float:
        return float(min(a.min() for a in (self.seen, self.first, self.second) if a.size))

    def half(self, which: int) -> "_Data":
        part = slice(which, None, 2)
        return replace(
            self,
            seen=self.seen[part],
            first=self.first[part],
            second=self.second[part],
            first_design=self.first_design[part],
            second_design=self.second_design[part],
        )

    def fit(self, dark: float) -> tuple[float, NDArray[np.float64]]:
        """Scatter (the lower the better) and coefficients at a dark level."""
        log_seen = np.log(self.seen - dark)
        a, b = self.first - dark, self.second - dark
        log_ratio = np.log(a / b)
        slope = self.first_design - self.second_design
        # errors of a patch's median are much the same at every brightness
        trust = 1.0 / (1.0 / a**2 + 1.0 / b**2)
        coefficients = np.zeros(self.design.shape[1])
        level = np.median(log_seen, axis=1, keepdims=True)
        weight = np.ones_like(log_seen) / _SHARED_BLOCKS
        ratio_weight = trust / max(float(trust.max(initial=0.0)), 1e-12)
        for _ in range(_ROUNDS):
            coefficients = _joint(
                self.design, log_seen - level, weight, slope, log_ratio, ratio_weight
            )
            rest = log_seen - self.design @ coefficients
            level = (rest * weight).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
            # tiles with much going on in them tell less: blocks weigh by their tile's scatter
            weight = _cauchy(rest - level, axis=1) / _SHARED_BLOCKS
            off = (log_ratio - slope @ coefficients) * np.sqrt(trust)
            ratio_weight = trust * _cauchy(off, axis=0)
        if len(a) < _OVERLAPS_MIN:
            return _scatter(
                self.seen - dark - np.exp(level + self.design @ coefficients)
            ), coefficients
        fa, fb = np.exp(self.first_design @ coefficients), np.exp(self.second_design @ coefficients)
        return float(np.median(np.abs(a / fa - b / fb))), coefficients


def _joint(
    design: NDArray[np.float64],
    above: NDArray[np.float64],
    weight: NDArray[np.float64],
    slope: NDArray[np.float64],
    log_ratio: NDArray[np.float64],
    ratio_weight: NDArray[np.float64],
) -> NDArray[np.float64]:
    gram = design.T @ (design * weight.sum(axis=0)[:, None])
    gram += slope.T @ (slope * ratio_weight[:, None])
    right = design.T @ (above * weight).sum(axis=0) + slope.T @ (log_ratio * ratio_weight)
    return np.asarray(np.linalg.solve(gram, right))


def _cauchy(residual: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Inverse variance along an axis, less for what lies far out."""
    if not residual.size:
        return residual
    scale = _MAD_TO_SD * np.median(np.abs(residual), axis=axis, keepdims=True)
    lively = scale[scale > 0]
    # a tile of one value is no exact measurement
    least = _SCALE_MIN * float(np.median(lively)) if lively.size else 1.0
    scale = np.maximum(scale, max(least, _SCALE_LEAST))
    return np.asarray(1.0 / (scale**2 * (1.0 + (residual / (_CAUCHY * scale)) ** 2)))


def _agree(
    field: NDArray[np.float64], first: NDArray[np.float64], second: NDArray[np.float64]
) -> bool:
    """Whether two halves of the tiles, each by itself, tell of the same field."""
    first, second = first / first.mean(), second / second.mean()
    error = 0.5 * float(np.std(first - second))
    return error < _DISAGREE_MAX * float(np.std(field / field.mean()))


def gain_rows(
    field: FlatField, tile_shape: tuple[int, int], first: int, stop: int
) -> NDArray[np.float32]:
    """One over the flat field for some rows of a tile, (stop - first, cols).

    Parameters
    ----------
    field
        The field.
    tile_shape
        (rows, cols) of a tile.
    first, stop
        Rows wanted, the last excluded.
    """
    if not field.estimated:
        return np.ones((stop - first, tile_shape[1]), np.float32)
    down = _powers_along(tile_shape[0], int(field.powers.max()))[first:stop]
    across = _powers_along(tile_shape[1], int(field.powers.max()))
    square = np.zeros((down.shape[1], across.shape[1]))
    square[field.powers[:, 0], field.powers[:, 1]] = field.coefficients
    # one row after the other: a product of matrices might round by the number of rows
    return np.exp(np.stack([-(row @ square) @ across.T for row in down])).astype(np.float32)


def _powers(degree: int) -> NDArray[np.int64]:
    """Powers of (row, col) up to a total degree, without the constant."""
    pairs = [(i, t - i) for t in range(1, degree + 1) for i in range(t + 1)]
    return np.array(pairs, np.int64)


@lru_cache(maxsize=32)
def _powers_along(count: int, degree: int) -> NDArray[np.float64]:
    at = (2 * np.arange(count) + 1) / count - 1
    return np.asarray(at[:, None] ** np.arange(degree + 1))


def _design(at: NDArray[np.float64], powers: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.column_stack([at[:, 0] ** i * at[:, 1] ** j for i, j in powers.tolist()])


def _scatter(residual: NDArray[np.float64]) -> float:
    """Mean logarithm of each tile's median absolute residual: every tile has the same say."""
    spread = np.median(np.abs(residual - np.median(residual, axis=1, keepdims=True)), axis=1)
    return float(np.log(spread + 1e-9).mean())


def _low(blocks: NDArray[np.float64]) -> float:
    values = blocks[np.isfinite(blocks)]
    return float(np.quantile(values, 0.01)) if values.size else 0.0
