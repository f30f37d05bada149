"""The flat field: how brightness falls off over a tile, told from the tiles themselves.

Model: seen = dark + flat x (true - dark), the flat field a smooth function with mean one. Each tile
is reduced to medians of blocks, in which sparse nuclei do not show; what the blocks of many tiles
have in common, whatever lay under them, is the flat field.
"""

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
_GAIN_MAX = 5.0
_GRID = np.linspace(0.0, 0.98, 15)
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


def estimate_flat(blocks: ArrayLike, settings: StitchingSettings | None = None) -> FlatField:
    """Estimate the flat field and the dark level.

    The logarithm of the field is a polynomial of row and column. For a number of dark levels it is
    fitted together with one brightness a tile, blocks that do not follow (edges of the tissue,
    crowded nuclei) losing their weight; the level that leaves the least scatter, tile by tile
    relative to the tile's own, is taken.

    Parameters
    ----------
    blocks
        (n, BLOCKS, BLOCKS) of `block_medians`, one a tile.
    settings
        Degree of the polynomial, least number of tiles.
    """
    s = settings or StitchingSettings()
    blocks = np.asarray(blocks, float)
    seen = blocks.reshape(len(blocks), -1)
    seen = seen[np.isfinite(seen).all(axis=1)]
    if len(seen) < s.flat_tiles_min or not seen.min() > 0:
        return no_flat_field(blocks)
    powers = _powers(s.flat_degree)
    design = _design(powers)
    best = (np.inf, 0.0, np.zeros(len(powers)))
    for dark in _GRID * seen.min():
        coefficients, fitted = _fit(np.log(seen - dark), design)
        scatter = _scatter(seen - dark - np.exp(fitted))
        best = min(best, (scatter, dark, coefficients), key=lambda b: b[0])
    _, dark, coefficients = best
    field = np.exp(design @ coefficients)
    halves = [np.exp(design @ _fit(np.log(seen[i::2] - dark), design)[0]) for i in (0, 1)]
    if field.max() / field.min() > _GAIN_MAX or not _agree(field, halves[0], halves[1]):
        return no_flat_field(blocks)
    depth = float(1 - field.min() / field.max())
    low = _low(dark + (seen - dark) / field)
    # the constant that makes the mean of the field one stands first
    level = np.concatenate([[-np.log(field.mean())], coefficients])
    return FlatField(level, np.vstack([[[0, 0]], powers]), float(dark), low, True, depth)


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


def _design(powers: NDArray[np.int64]) -> NDArray[np.float64]:
    at = (2 * np.arange(BLOCKS) + 1) / BLOCKS - 1
    y, x = (g.ravel() for g in np.meshgrid(at, at, indexing="ij"))
    columns = [y**i * x**j for i, j in powers.tolist()]
    return np.column_stack(columns)


def _fit(
    log_seen: NDArray[np.float64], design: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust fit of log seen = level of the tile + design @ coefficients; also what it fits."""
    level = np.median(log_seen, axis=1, keepdims=True)
    coefficients = np.zeros(design.shape[1])
    weight = np.ones_like(log_seen)
    for _ in range(_ROUNDS):
        total = weight.sum(axis=0)
        above = ((log_seen - level) * weight).sum(axis=0) / total
        gram = design.T @ (design * total[:, None])
        coefficients = np.linalg.solve(gram, design.T @ (above * total))
        shape = design @ coefficients
        rest = log_seen - shape
        level = (rest * weight).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
        residual = rest - level
        scale = _MAD_TO_SD * np.median(np.abs(residual), axis=1, keepdims=True)
        scale = np.maximum(scale, 1e-3 * max(float(np.median(scale)), 1e-9))
        # tiles with much going on in them tell less: their blocks weigh by their own scatter
        weight = 1.0 / (scale**2 * (1.0 + (residual / (_CAUCHY * scale)) ** 2))
        weight /= weight.max()
    return coefficients, level + design @ coefficients


def _scatter(residual: NDArray[np.float64]) -> float:
    """Mean logarithm of each tile's median absolute residual: every tile has the same say."""
    spread = np.median(np.abs(residual - np.median(residual, axis=1, keepdims=True)), axis=1)
    return float(np.log(spread + 1e-9).mean())


def _low(blocks: NDArray[np.float64]) -> float:
    values = blocks[np.isfinite(blocks)]
    return float(np.quantile(values, 0.01)) if values.size else 0.0
