"""The label image of the nuclei, kept with the run that found them (OME-NGFF 0.5, image-label).

Label = number of the cell + 1, 0 where there is none; as many levels as the mosaic has, each of
them labels again, never means of labels. It is written block by block, a shard each. The standard
lets a label image name its source; ours lies in the mosaic's group, above the run. Levels lie flat
in the group, because the independent validator of labels looks for them there.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr
from numba import njit
from zarr.codecs import BloscCodec

from engine.store.pyramid import TILE, Pyramid, read_pyramid

BLOCK = 2048
"""Side of a shard, and of the blocks that are written at once."""
LABELS = "labels"
NUCLEI = "nuclei"
SOURCE = "../../../../mosaic"
"""From ``runs/<run>/labels/nuclei`` to the image that was labelled."""


class LabelWriter:
    """Writes the label image of one run.

    Parameters
    ----------
    run
        Folder of the run.
    mosaic
        The image that is labelled: gives shapes, pixel sizes and places of all levels.
    """

    def __init__(self, run: Path, mosaic: Pyramid) -> None:
        self._mosaic = mosaic
        parent = zarr.open_group(run, mode="a", zarr_format=3).create_group(LABELS)
        parent.attrs["ome"] = {"version": "0.5", "labels": [NUCLEI]}
        self._group = parent.create_group(NUCLEI)
        self._levels = [
            _new_level(self._group, index, level.shape[-2:])
            for index, level in enumerate(mosaic.levels)
        ]

    def take(self, row: int, col: int, labels: npt.NDArray[np.uint32]) -> None:
        """Write a block of the finest level; blocks start at multiples of `BLOCK`.

        Raises
        ------
        ValueError
            If the block would share a shard with another one.
        """
        rows, cols = labels.shape
        if row % BLOCK or col % BLOCK or max(rows, cols) > BLOCK:
            raise ValueError(f"blocks of {BLOCK} pixels needed, got {labels.shape} at {row}, {col}")
        if labels.any():  # a shard that is not there reads as nothing
            self._levels[0][row : row + rows, col : col + cols] = labels

    def finish(self) -> None:
        """Write the coarser levels and the metadata."""
        for finer, level in zip(self._levels, self._levels[1:], strict=False):
            for rows, cols in _blocks(level.shape):
                fine = finer[2 * rows.start : 2 * rows.stop, 2 * cols.start : 2 * cols.stop]
                if fine.any():
                    level[rows, cols] = commonest(fine)
        self._group.attrs["ome"] = _metadata(self._mosaic)


def _new_level(group: zarr.Group, index: int, shape: tuple[int, int]) -> Any:
    tile = tuple(min(TILE, -(-n // 16) * 16) for n in shape)
    return group.create_array(
        f"scale{index}",
        shape=shape,
        dtype="uint32",
        chunks=tile,
        shards=tuple(min(BLOCK, -(-n // t) * t) for n, t in zip(shape, tile, strict=True)),
        compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
        fill_value=0,
        dimension_names=("y", "x"),
    )


def _metadata(mosaic: Pyramid) -> dict[str, Any]:
    datasets = [
        {
            "path": f"scale{index}",
            "coordinateTransformations": [
                {"type": "scale", "scale": list(pixel)},
                {"type": "translation", "translation": list(origin)},
            ],
        }
        for index, (pixel, origin) in enumerate(zip(mosaic.pixel_um, mosaic.origin_um, strict=True))
    ]
    return {
        "version": "0.5",
        "multiscales": [
            {
                "name": NUCLEI,
                "type": "mode",
                "axes": [{"name": n, "type": "space", "unit": "micrometer"} for n in "yx"],
                "datasets": datasets,
                "metadata": {"method": "most frequent label of 2 x 2 pixels"},
            }
        ],
        "image-label": {"version": "0.5", "source": {"image": SOURCE}},
    }


def _blocks(shape: tuple[int, int]) -> Iterator[tuple[slice, slice]]:
    for row in range(0, shape[0], BLOCK):
        for col in range(0, shape[1], BLOCK):
            yield slice(row, min(row + BLOCK, shape[0])), slice(col, min(col + BLOCK, shape[1]))


def commonest(labels: npt.NDArray[np.uint32]) -> npt.NDArray[np.uint32]:
    """Give the most frequent label of each 2 x 2 pixels.

    Of equally frequent ones a label goes before nothing and the lower number before the higher; an
    odd last row or column stands alone.

    Parameters
    ----------
    labels
        (rows, cols).

    Examples
    --------
    >>> commonest(np.array([[1, 0, 5, 2], [1, 0, 2, 2]], np.uint32)).tolist()
    [[1, 2]]
    """
    rows, cols = labels.shape
    padded = np.pad(labels, ((0, rows % 2), (0, cols % 2)), mode="edge")
    out = np.empty((padded.shape[0] // 2, padded.shape[1] // 2), np.uint32)
    _commonest(padded, out)
    return out


@njit(cache=True, nogil=True)
def _commonest(labels: npt.NDArray[np.uint32], out: npt.NDArray[np.uint32]) -> None:
    four = np.empty(4, np.uint32)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            four[0], four[1] = labels[2 * i, 2 * j], labels[2 * i, 2 * j + 1]
            four[2], four[3] = labels[2 * i + 1, 2 * j], labels[2 * i + 1, 2 * j + 1]
            best, most = four[0], 0
            for one in four:
                times = 0
                for other in four:
                    times += one == other
                wins = times > most
                if times == most and one != best and one != 0:
                    wins = best == 0 or one < best
                if wins:
                    best, most = one, times
            out[i, j] = best


def read_labels(run: zarr.Group) -> Pyramid | None:
    """Open the label image of a run; None where it has none."""
    return read_pyramid(run[f"{LABELS}/{NUCLEI}"]) if f"{LABELS}/{NUCLEI}" in run else None  # type: ignore[arg-type]
