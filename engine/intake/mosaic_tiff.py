"""The mosaic as TIFF or OME-TIFF, decoded tile by tile or strip by strip."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.mosaic import RawMosaic, check_image, plane_axes, unit_um
from engine.intake.report import Refused, Report
from engine.intake.tiff import check_page, open_tiff

_FINEST_PRINT_UM = 20.0
"""A resolution tag coarser than this is a printer's, not a microscope's: 1270 dots an inch."""
_TAG_UNIT_UM = {2: 25400.0, 3: 10000.0}


@dataclass(frozen=True)
class _Plane:
    """One channel: a page, the separate plane in it, the sample of interleaved ones."""

    page: Any
    separate: int
    sample: int
    jpegtables: bytes | None


def read_tiff_mosaic(path: Path, report: Report) -> RawMosaic:
    """Open a mosaic; nothing but its structure is read here.

    Raises
    ------
    Refused
        If it is no TIFF, of another type or shape, or cut short.
    """
    del report  # this format has nothing to warn of
    with open_tiff(path) as tiff:
        pixel = _ome_pixel(tiff)
        series = tiff.series[0]
        if series.dtype is None:
            raise Refused("image", "pixels of an unknown kind", "uint8, uint16 or float32")
        channel, y, x = plane_axes(series.axes, series.shape, "image")
        count = 1 if channel is None else int(series.shape[channel])
        shape = (count, int(series.shape[y]), int(series.shape[x]))
        check_image(shape, series.dtype, "image")
        first = tiff.pages.first
        interleaved = series.axes.endswith("S") and count > 1
        if series.dataoffset is not None:
            return _contiguous(path, tiff, series, shape, interleaved, pixel or _tag_pixel(first))
        planes = _planes(series, count, interleaved)
        for i, plane in enumerate(planes):
            check_page(
                plane.page,
                path,
                f"channel {i}",
                limits.MAX_MOSAIC_PIXELS,
                limits.MAX_MOSAIC_RATIO,
            )
        if (first.imagelength, first.imagewidth) != shape[1:]:
            raise Refused("image", f"pages of {first.imagelength} x {first.imagewidth}", str(shape))
        band = int(planes[0].page.chunks[0])
        pixel = pixel or _tag_pixel(first)

    def read_rows(channel: int, start: int, stop: int) -> NDArray[Any]:
        return _decode(path, planes[channel], start, stop)

    dtype = np.dtype(series.dtype).newbyteorder("=")
    return RawMosaic(shape, dtype, min(band, shape[1]), read_rows, pixel)


def _contiguous(
    path: Path,
    tiff: Any,
    series: Any,
    shape: tuple[int, int, int],
    interleaved: bool,
    pixel: tuple[float, float] | None,
) -> RawMosaic:
    count, rows, cols = shape
    stored = np.dtype(series.dtype).newbyteorder(tiff.byteorder)
    start = int(series.dataoffset)
    needed = start + count * rows * cols * stored.itemsize
    size = path.stat().st_size
    if needed > size:
        raise Refused("image", f"a file of {size} bytes", f"{needed} bytes for {shape}")
    samples = count if interleaved else 1

    def read_rows(channel: int, first: int, stop: int) -> NDArray[Any]:
        skipped = first if interleaved else channel * rows + first
        data = np.fromfile(
            path,
            stored,
            count=(stop - first) * cols * samples,
            offset=start + skipped * cols * samples * stored.itemsize,
        ).reshape(stop - first, cols, samples)
        return np.ascontiguousarray(
            data[..., channel if interleaved else 0], stored.newbyteorder("=")
        )

    return RawMosaic(shape, stored.newbyteorder("="), min(512, rows), read_rows, pixel)


def _planes(series: Any, count: int, interleaved: bool) -> list[_Plane]:
    pages = [page for page in series.pages if page is not None]
    separate = len(pages) == 1 and count > 1 and not interleaved
    if not separate and len(pages) != (1 if interleaved else count):
        raise Refused("image", f"{len(pages)} pages", f"{count}, one a channel")
    planes = []
    for i in range(count):
        page = pages[0] if separate or interleaved else pages[i]
        tables = page.keyframe.jpegtables
        planes.append(_Plane(page, i if separate else 0, i if interleaved else 0, tables))
    return planes


def _decode(path: Path, plane: _Plane, start: int, stop: int) -> NDArray[Any]:
    page = plane.page
    key = page.keyframe
    high = min(int(key.chunks[0]), int(key.imagelength))
    down, across = -(-key.imagelength // high), -(-key.imagewidth // int(key.chunks[1]))
    out = np.zeros((stop - start, key.imagewidth), np.dtype(key.dtype).newbyteorder("="))
    with path.open("rb") as file:
        for at in range(start // high, -(-stop // high)):
            for along in range(across):
                index = (plane.separate * down + at) * across + along
                length = page.databytecounts[index]
                if not length:
                    continue  # a piece left out by the writer stands for zeros
                file.seek(page.dataoffsets[index])
                piece, (_, _, row, col, _), (_, rows, _, _) = key.decode(
                    file.read(length), index, jpegtables=plane.jpegtables
                )
                if piece is None:
                    continue
                top, bottom = max(row, start), min(row + rows, stop)
                part = piece[0, top - row : bottom - row, : key.imagewidth - col, plane.sample]
                out[top - start : bottom - start, col : col + part.shape[1]] = part
    return out


def _ome_pixel(tiff: Any) -> tuple[float, float] | None:
    """Pixel size (y, x) in micrometres by the OME metadata, which is checked on the way."""
    if not tiff.is_ome:
        return None
    text = str(tiff.ome_metadata)
    if re.search(r"<!\s*(DOCTYPE|ENTITY)", text[: 2**20], re.IGNORECASE):
        raise Refused("OME-XML", "a document type or entity", "plain OME-XML")
    try:
        root = ET.fromstring(text)
    except ET.ParseError as error:
        raise Refused("OME-XML", f"no valid XML ({error})", "OME-XML") from None
    pixels = next((e for e in root.iter() if e.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None:
        return None
    _check_planes(pixels.attrib, len(tiff.pages), tiff.pages.first.samplesperpixel)
    y_um, x_um = _length(pixels, "Y"), _length(pixels, "X")
    return None if y_um is None or x_um is None else (y_um, x_um)


def _length(pixels: ET.Element, axis: str) -> float | None:
    value = pixels.get(f"PhysicalSize{axis}")
    unit = unit_um(pixels.get(f"PhysicalSize{axis}Unit", "um"))
    if value is None or unit is None:
        return None
    try:
        size = float(value) * unit
    except ValueError:
        size = float("nan")
    if not 0 < size < 1e6:
        raise Refused(f"OME-XML PhysicalSize{axis}", repr(value), "a number above 0")
    return size


def _check_planes(attributes: dict[str, str], pages: int, samples: int) -> None:
    planes = 1
    for axis in "CZT":
        text = attributes.get(f"Size{axis}", "1")
        if not text.isdecimal() or not 0 < int(text) <= 2**20:
            raise Refused(f"OME-XML Size{axis}", repr(text), "a whole number from 1")
        planes *= int(text)
    if planes > pages * samples:
        raise Refused(
            "OME-XML", f"{planes} planes declared, {pages * samples} there", "all of them"
        )


def _tag_pixel(page: Any) -> tuple[float, float] | None:
    """Pixel size (y, x) in micrometres by the resolution tags, where a microscope wrote them."""
    unit = _TAG_UNIT_UM.get(int(page.tags.valueof("ResolutionUnit", 1)))
    if unit is None:
        return None
    sizes = []
    for axis in "YX":
        above, below = page.tags.valueof(f"{axis}Resolution", (0, 1))
        if not above or not below:
            return None
        sizes.append(unit * below / above)
    if max(sizes) > _FINEST_PRINT_UM:
        return None
    return sizes[0], sizes[1]
