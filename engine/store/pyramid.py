"""Multiscale images as OME-NGFF 0.5: written band by band, in bounded memory, sharded.

Each level lies in a group of its own (``scale0/image``, ``scale1/image``, …). Every level is the
2 x 2 mean of the one before, so its first pixel's centre lies half a fine pixel further in; the
``translation`` says so. Unit is the UDUNITS name ``micrometer``. Specification: OME-NGFF 0.5.
"""

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr
from zarr.codecs import BloscCodec

TILE = 512
SHARD = 4096
SMALLEST = 256

RowReader = Callable[[int, int, int], npt.NDArray[Any]]
"""``read(channel, first_row, stop_row)`` -> (rows, cols)."""


@dataclass(frozen=True)
class Pyramid:
    """One stored multiscale image, read lazily.

    Attributes
    ----------
    levels
        Zarr arrays, finest first; each (rows, cols), or (channels, rows, cols) for a mosaic.
    pixel_um
        Pixel size (y, x) of each level, in micrometres.
    origin_um
        Centre (y, x) of each level's first pixel, in micrometres.
    """

    levels: tuple[Any, ...]
    pixel_um: tuple[tuple[float, float], ...]
    origin_um: tuple[tuple[float, float], ...]

    def level_for(self, pixel_um: float) -> int:
        """Index of the coarsest level whose pixels are no larger than ``pixel_um``."""
        fitting = [i for i, (_, px) in enumerate(self.pixel_um) if px <= pixel_um * 1.001]
        return fitting[-1] if fitting else 0


def level_shapes(rows: int, cols: int) -> list[tuple[int, int]]:
    """Shapes of all levels, finest first, down to ``SMALLEST`` pixels a side.

    Examples
    --------
    >>> level_shapes(1000, 500)
    [(1000, 500), (500, 250), (250, 125)]
    """
    shapes = [(rows, cols)]
    while max(shapes[-1]) > SMALLEST and min(shapes[-1]) > 1:
        shapes.append(((shapes[-1][0] + 1) // 2, (shapes[-1][1] + 1) // 2))
    return shapes


def halve(block: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Mean over 2 x 2 pixels; NaN counts as no datum; an odd last row or column stands alone.

    Parameters
    ----------
    block
        (rows, cols), integer or float.

    Returns
    -------
    ndarray
        (ceil(rows / 2), ceil(cols / 2)), of the same type; integers are rounded to nearest.
    """
    rows, cols = block.shape
    padded = np.pad(block, ((0, rows % 2), (0, cols % 2)), mode="edge")
    quads = padded.reshape(padded.shape[0] // 2, 2, padded.shape[1] // 2, 2)
    if np.issubdtype(block.dtype, np.integer):
        total = quads.sum(axis=(1, 3), dtype=np.int64)
        return ((total + 2) // 4).astype(block.dtype)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a quad of NaN stays NaN
        return np.nanmean(quads, axis=(1, 3)).astype(block.dtype)


def _round_up(value: int, step: int) -> int:
    return -(-value // step) * step


def _new_level(
    group: zarr.Group, index: int, lead: tuple[int, ...], shape: tuple[int, int], dtype: Any
) -> Any:
    tile = tuple(min(TILE, _round_up(n, 16)) for n in shape)
    shard = tuple(min(SHARD, _round_up(n, t)) for n, t in zip(shape, tile, strict=True))
    names = ("c", "y", "x") if lead else ("y", "x")
    floating = np.issubdtype(dtype, np.floating)
    return group.create_group(f"scale{index}").create_array(
        "image",
        shape=(*lead, *shape),
        dtype=dtype,
        chunks=(*(1 for _ in lead), *tile),
        shards=(*(1 for _ in lead), *shard),
        compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
        fill_value=np.nan if floating else 0,
        dimension_names=names,
    )


def _bands(rows: int) -> Iterator[tuple[int, int]]:
    """Row ranges of whole shards, so that no two writes ever meet in one shard."""
    for start in range(0, rows, SHARD):
        yield start, min(start + SHARD, rows)


def _halved(finer: Any, at: tuple[int, ...], start: int, stop: int) -> npt.NDArray[Any]:
    """Rows of a level from the finer one, few at a time: halving needs many times their memory."""
    parts = []
    for low in range(start, stop, TILE):
        high = min(low + TILE, stop)
        rows = slice(2 * low, min(2 * high, finer.shape[-2]))
        parts.append(halve(finer[(*at, rows)]))
    return np.concatenate(parts)


def write_pyramid(
    group: zarr.Group,
    read: RowReader,
    *,
    name: str,
    shape: tuple[int, int],
    dtype: npt.DTypeLike,
    pixel_um: tuple[float, float],
    channels: tuple[str, ...] | None = None,
    origin_um: tuple[float, float] = (0.0, 0.0),
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write a multiscale image and its NGFF metadata into a group.

    Parameters
    ----------
    group
        An empty group.
    read
        Gives rows of the full-resolution image.
    name
        Name of the image in the metadata.
    shape
        (rows, cols) of the full-resolution image.
    dtype
        Type of the pixels.
    pixel_um
        Pixel size (y, x).
    channels
        Channel names; None for an image without a channel axis.
    origin_um
        Centre (y, x) of the first pixel.
    progress
        Called with the share done, 0 to 1.
    """
    lead = () if channels is None else (len(channels),)
    shapes = level_shapes(*shape)
    levels = [_new_level(group, i, lead, s, np.dtype(dtype)) for i, s in enumerate(shapes)]
    done, work = 0.0, sum(float(r * c) for r, c in shapes) * (lead[0] if lead else 1)
    for channel in range(lead[0] if lead else 1):
        at: tuple[int, ...] = (channel,) if lead else ()
        for index, level in enumerate(levels):
            rows, cols = shapes[index]
            for start, stop in _bands(rows):
                if index == 0:
                    level[(*at, slice(start, stop))] = read(channel, start, stop)
                else:
                    level[(*at, slice(start, stop))] = _halved(levels[index - 1], at, start, stop)
                done += (stop - start) * cols
                if progress is not None:
                    progress(done / work)
    group.attrs["ome"] = _metadata(name, shapes, pixel_um, origin_um, channels)


def _metadata(
    name: str,
    shapes: list[tuple[int, int]],
    pixel_um: tuple[float, float],
    origin_um: tuple[float, float],
    channels: tuple[str, ...] | None,
) -> dict[str, Any]:
    axes: list[dict[str, str]] = [{"name": "c", "type": "channel"}] if channels else []
    axes += [{"name": n, "type": "space", "unit": "micrometer"} for n in ("y", "x")]
    unit, none = ([1.0], [0.0]) if channels else ([], [])
    datasets = []
    for index in range(len(shapes)):
        step = 2**index
        shift = [o + p * (step - 1) / 2 for o, p in zip(origin_um, pixel_um, strict=True)]
        transforms: list[dict[str, Any]] = [
            {"type": "scale", "scale": unit + [p * step for p in pixel_um]}
        ]
        if any(shift):
            transforms.append({"type": "translation", "translation": none + shift})
        datasets.append({"path": f"scale{index}/image", "coordinateTransformations": transforms})
    ome: dict[str, Any] = {
        "version": "0.5",
        "multiscales": [
            {
                "name": name,
                "type": "local mean",
                "axes": axes,
                "datasets": datasets,
                "metadata": {"method": "mean of 2 x 2 pixels, no datum where all four have none"},
            }
        ],
    }
    return ome


def read_pyramid(group: zarr.Group) -> Pyramid:
    """Open a multiscale image written by :func:`write_pyramid` (pixels are not read yet)."""
    attributes: dict[str, Any] = dict(group.attrs)
    datasets: list[dict[str, Any]] = attributes["ome"]["multiscales"][0]["datasets"]
    pixels, origins = [], []
    for entry in datasets:
        steps = {t["type"]: t[t["type"]] for t in entry["coordinateTransformations"]}
        scale, origin = steps["scale"], steps.get("translation", [0.0, 0.0])
        pixels.append((float(scale[-2]), float(scale[-1])))
        origins.append((float(origin[-2]), float(origin[-1])))
    levels = tuple(group[entry["path"]] for entry in datasets)
    return Pyramid(levels, tuple(pixels), tuple(origins))
