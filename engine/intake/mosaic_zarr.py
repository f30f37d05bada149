"""The mosaic as an OME-Zarr folder (OME-NGFF 0.4 or 0.5): its finest level, read by rows."""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import zarr
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.mosaic import RawMosaic, check_image, plane_axes, unit_um
from engine.intake.paths import check_text
from engine.intake.report import Refused, Report, shown


def read_zarr_mosaic(path: Path, report: Report) -> RawMosaic:
    """Open a mosaic; nothing but its metadata is read here.

    Raises
    ------
    Refused
        If the metadata are no OME-NGFF image of (y, x) or (channel, y, x).
    """
    del report  # this format has nothing to warn of
    try:
        group = zarr.open_group(str(path), mode="r")
        attributes: Mapping[str, Any] = dict(group.attrs)
    except Exception as error:  # noqa: BLE001 - metadata of any kind may lie here
        raise Refused("", f"no Zarr group ({type(error).__name__})", "an OME-Zarr image") from None
    image = _multiscale(attributes)
    axes = "".join(str(axis.get("name", "?"))[:1].upper() for axis in image["axes"])
    level = image["datasets"][0]
    name = str(level["path"])
    check_text("multiscales datasets path", name)
    array = group.get(name)
    if not isinstance(array, zarr.Array):
        raise Refused(f"multiscales path {shown(name)}", "no array", "an array")
    if len(axes) != array.ndim:
        raise Refused(name, f"{array.ndim} dimensions", f"{len(axes)}, one an axis ({axes})")
    channel, y, x = plane_axes(axes, array.shape, name)
    shape = (1 if channel is None else array.shape[channel], array.shape[y], array.shape[x])
    check_image(shape, array.dtype, name)
    piece = math.prod(array.chunks) * array.dtype.itemsize
    if piece > limits.MAX_CHUNK_BYTES:
        raise Refused(name, f"chunks of {piece} bytes", f"chunks up to {limits.MAX_CHUNK_BYTES}")

    stored = sum(part.stat().st_size for part in (path / name).rglob("*") if part.is_file())
    declared = math.prod(array.shape) * array.dtype.itemsize
    limits.check_ratio(name, declared, stored, limits.MAX_MOSAIC_RATIO)

    def read_rows(index: int, first: int, stop: int) -> NDArray[Any]:
        where: list[int | slice] = [0] * array.ndim
        where[y], where[x] = slice(first, stop), slice(None)
        if channel is not None:
            where[channel] = index
        return np.ascontiguousarray(array[tuple(where)], array.dtype.newbyteorder("="))

    dtype = array.dtype.newbyteorder("=")
    return RawMosaic(shape, dtype, int(array.chunks[y]), read_rows, _pixel(image, level, y, x))


def _multiscale(attributes: Mapping[str, Any]) -> dict[str, Any]:
    ome = attributes.get("ome", attributes)
    images = ome.get("multiscales") if isinstance(ome, Mapping) else None
    expected = "multiscales with axes and datasets (OME-NGFF 0.4 or 0.5)"
    if not isinstance(images, Sequence) or not images or not isinstance(images[0], Mapping):
        raise Refused("attributes", "no multiscales", expected)
    image = dict(images[0])
    version = str(ome.get("version", image.get("version", "0.4")))
    if version not in {"0.4", "0.5"}:
        raise Refused("attributes", f"OME-NGFF version {shown(version)}", "0.4 or 0.5")
    for key in ("axes", "datasets"):
        part = image.get(key)
        if not isinstance(part, list) or not part or not all(isinstance(p, Mapping) for p in part):
            raise Refused(f"multiscales {key}", shown(part), expected)
    if "path" not in image["datasets"][0]:
        raise Refused("multiscales datasets", "no path", expected)
    return image


def _pixel(
    image: Mapping[str, Any], level: Mapping[str, Any], y: int, x: int
) -> tuple[float, float] | None:
    sizes = []
    for axis in (y, x):
        unit = unit_um(image["axes"][axis].get("unit"))
        if unit is None:
            return None
        size = unit * _scale(level, axis) * _scale(image, axis)
        if not 0 < size < 1e6:
            raise Refused("coordinateTransformations", f"a pixel of {size:g} um", "above 0")
        sizes.append(size)
    return sizes[0], sizes[1]


def _scale(part: Mapping[str, Any], axis: int) -> float:
    for step in part.get("coordinateTransformations") or ():
        if isinstance(step, Mapping) and step.get("type") == "scale":
            scale = step.get("scale")
            if not isinstance(scale, Sequence) or len(scale) <= axis:
                raise Refused("coordinateTransformations", shown(scale), "one scale an axis")
            return float(scale[axis])
    return 1.0
