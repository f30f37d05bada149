"""A clip as multi-page TIFF: one page a frame, 8 or 16 bit, grey or red, green and blue."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.clips import DEPTHS, LUMINANCE, MAX_FRAME_PIXELS, RawClip, check_clip
from engine.intake.report import Refused, shortened
from engine.intake.tiff import check_page, open_tiff


def read_clip_tiff(path: Path) -> RawClip:
    """Open a clip; its pages' sizes and places are read here, its pixels later.

    Raises
    ------
    Refused
        If it is no TIFF, cut short, or its pages are not of one size and kind.
    """
    with _complaints() as said, open_tiff(path) as tiff:
        pages = list(tiff.pages)
        if said:
            raise Refused("", f"pages that cannot be found ({shortened(said[0])})", "a whole TIFF")
        first = pages[0].keyframe
        shape = (len(pages), int(first.imagelength), int(first.imagewidth))
        check_clip(*shape)
        samples = int(first.samplesperpixel)
        if str(first.dtype) not in DEPTHS:
            raise Refused("page 0", f"pixels of {first.dtype}", " or ".join(DEPTHS))
        if samples not in (1, 3, 4) or (samples > 1 and int(first.planarconfig) != 1):
            raise Refused("page 0", f"{samples} samples a pixel", "grey, or red, green and blue")
        for number, page in enumerate(pages):
            _check_alike(page, first, f"page {number}")
            check_page(page, path, f"page {number}", MAX_FRAME_PIXELS, limits.MAX_MOSAIC_RATIO)
        dtype = np.dtype(first.dtype).newbyteorder("=")

    def frames() -> Iterator[NDArray[Any]]:
        with open_tiff(path) as tiff:
            for number in range(shape[0]):
                yield _decoded(tiff, number, shape[1:], dtype)

    return RawClip(shape, dtype, frames, None, samples > 1)


def _check_alike(page: Any, first: Any, place: str) -> None:
    key = page.keyframe
    size = (int(key.imagelength), int(key.imagewidth), int(key.samplesperpixel))
    wanted = (int(first.imagelength), int(first.imagewidth), int(first.samplesperpixel))
    if size[:2] != wanted[:2]:
        raise Refused(
            place, f"a size of {size[0]} x {size[1]}", f"{wanted[0]} x {wanted[1]}, as page 0 has"
        )
    if size[2] != wanted[2] or key.dtype != first.dtype:
        raise Refused(place, f"another kind of pixels ({key.dtype})", "the kind of page 0")


def _decoded(tiff: Any, number: int, size: tuple[int, int], dtype: Any) -> NDArray[Any]:
    try:
        image = np.asarray(tiff.pages[number].asarray())
    except Exception as error:  # noqa: BLE001 - decoders raise anything on corrupt bytes
        raise Refused(
            f"page {number}", f"it cannot be decoded ({shortened(str(error))})", "a whole page"
        ) from None
    if image.ndim == 3:
        image = np.rint(image[..., :3] @ LUMINANCE)
    if image.shape != size:
        raise Refused(f"page {number}", f"the shape {image.shape}", str(size))
    return image.astype(dtype)


@contextmanager
def _complaints() -> Iterator[list[str]]:
    """Gather what the decoder logs: it passes over a broken chain of pages without an error."""
    said: list[str] = []

    class _Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    keep, logger = _Keep(logging.WARNING), logging.getLogger("tifffile")
    logger.addHandler(keep)
    try:
        yield said
    finally:
        logger.removeHandler(keep)
