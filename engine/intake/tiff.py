"""What mosaic and heights share of TIFF: opening, and checks before memory is taken."""

import logging
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import tifffile

from engine.intake import limits
from engine.intake.report import Refused, shortened

# without a handler of its own, Python prints what the decoder logs about corrupt files
logging.getLogger("tifffile").addHandler(logging.NullHandler())


@contextmanager
def open_tiff(path: Path) -> Iterator[Any]:
    """Open a TIFF without following what it says about companion files.

    Raises
    ------
    Refused
        If it is no readable TIFF.
    """
    try:
        tiff = tifffile.TiffFile(path, _multifile=False)
    except Exception as error:  # noqa: BLE001 - the decoder raises anything on corrupt bytes
        raise Refused("", f"no readable TIFF ({shortened(str(error))})", "a whole TIFF") from None
    with tiff:
        if not len(tiff.pages):
            raise Refused("", "no page", "a TIFF with an image")
        yield tiff


def check_page(page: Any, path: Path, place: str, most_pixels: int, most_ratio: int) -> None:
    """Check a page's declared size against the limits and against what the file holds.

    Parameters
    ----------
    page
        A page of a TIFF.
    path
        The file.
    place
        What the page is called in messages.
    most_pixels
        Largest number of pixels.
    most_ratio
        Most bytes that one stored byte may stand for.

    Raises
    ------
    Refused
        If the size cannot be, or data are missing.
    """
    key = page.keyframe  # further pages of a stack are told by their first one
    limits.check_shape(place, (key.imagelength, key.imagewidth), most_pixels, "pixels")
    if key.dtype is None:
        raise Refused(place, f"{key.bitspersample} bits of an unknown kind", "numbers")
    stored = sum(page.databytecounts)
    declared = key.imagelength * key.imagewidth * key.samplesperpixel * key.dtype.itemsize
    limits.check_ratio(place, declared, stored, most_ratio)
    piece = math.prod(int(n) for n in key.chunks) * int(key.dtype.itemsize)
    if not key.is_tiled:  # a strip may declare more rows than the image has
        piece = piece // int(key.rowsperstrip) * min(int(key.rowsperstrip), key.imagelength)
    if piece > limits.MAX_CHUNK_BYTES and key.compression != 1:
        raise Refused(
            place,
            f"one compressed piece of {piece} bytes",
            f"pieces up to {limits.MAX_CHUNK_BYTES}",
        )
    size = path.stat().st_size
    end = max(
        (o + n for o, n in zip(page.dataoffsets, page.databytecounts, strict=False)), default=0
    )
    if end > size or stored == 0:
        raise Refused(place, f"data up to byte {end} in a file of {size}", "a whole file")
    if len(page.dataoffsets) != _pieces(key) or len(page.databytecounts) != _pieces(key):
        raise Refused(place, f"{len(page.dataoffsets)} pieces", f"{_pieces(key)} for its size")
    if key.compression == 1 and stored < declared:
        raise Refused(place, f"{stored} bytes of data", f"{declared} for its size")


def _pieces(page: Any) -> int:
    return math.prod(int(n) for n in page.chunked)
