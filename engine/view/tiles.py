"""Decoded tiles of stored images, kept while memory allows."""

from collections import OrderedDict
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

KEPT_BYTES = 512 * 1024 * 1024


class TileCache:
    """Least recently used tiles of any number of two-dimensional levels.

    Parameters
    ----------
    kept_bytes
        Limit of what is kept.
    """

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._kept_bytes = kept_bytes
        self._tiles: OrderedDict[tuple[Any, ...], NDArray[Any]] = OrderedDict()
        self._bytes = 0
        self._lock = Lock()

    @property
    def bytes(self) -> int:
        """What is kept at present."""
        return self._bytes

    def window(
        self, name: str, level: Any, channel: int | None, rows: slice, cols: slice
    ) -> NDArray[Any]:
        """Read a window of a level through the cache.

        Parameters
        ----------
        name
            Names the level among all levels of the process: tiles are kept under it.
        level
            Array (rows, cols), or (channels, rows, cols) when `channel` is given; its `chunks`
            say how it is tiled.
        rows, cols
            What is wanted, within the level.
        """
        step_r, step_c = _tile_shape(level)
        out = np.empty((rows.stop - rows.start, cols.stop - cols.start), dtype=level.dtype)
        for r in range(rows.start // step_r, -(-rows.stop // step_r)):
            for c in range(cols.start // step_c, -(-cols.stop // step_c)):
                tile = self._tile((name, channel, r, c), level, channel)
                top, left = r * step_r, c * step_c
                r0, r1 = max(rows.start, top), min(rows.stop, top + tile.shape[0])
                c0, c1 = max(cols.start, left), min(cols.stop, left + tile.shape[1])
                out[r0 - rows.start : r1 - rows.start, c0 - cols.start : c1 - cols.start] = tile[
                    r0 - top : r1 - top, c0 - left : c1 - left
                ]
        return out

    def _tile(self, key: tuple[Any, ...], level: Any, channel: int | None) -> NDArray[Any]:
        with self._lock:
            if key in self._tiles:
                self._tiles.move_to_end(key)
                return self._tiles[key]
        step_r, step_c = _tile_shape(level)
        at = (
            slice(key[2] * step_r, min((key[2] + 1) * step_r, level.shape[-2])),
            slice(key[3] * step_c, min((key[3] + 1) * step_c, level.shape[-1])),
        )
        tile = np.asarray(level[at] if channel is None else level[(channel, *at)])
        tile.flags.writeable = False
        with self._lock:
            if key not in self._tiles:
                self._tiles[key] = tile
                self._bytes += tile.nbytes
            while self._bytes > self._kept_bytes and len(self._tiles) > 1:
                self._bytes -= self._tiles.popitem(last=False)[1].nbytes
        return tile


def _tile_shape(level: Any) -> tuple[int, int]:
    chunks = getattr(level, "chunks", None)
    return (512, 512) if chunks is None else (int(chunks[-2]), int(chunks[-1]))
