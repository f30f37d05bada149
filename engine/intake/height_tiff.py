"""Heights in TIFF: a single page of float32 or float64, nanometres."""

from pathlib import Path

import numpy as np

from engine.intake import limits
from engine.intake.heights import RawHeight
from engine.intake.report import Refused, Report
from engine.intake.tiff import check_page, open_tiff


def read_tiff(path: Path, report: Report) -> RawHeight:
    """Read a height image; declared sizes are checked before anything is allocated.

    Raises
    ------
    Refused
        If it is no TIFF, has several pages, another type, or is cut short.
    """
    del report  # this format has nothing to warn of
    with open_tiff(path) as tiff:
        if len(tiff.pages) != 1:
            raise Refused("", f"{len(tiff.pages)} pages", "a single page")
        page = tiff.pages.first
        check_page(page, path, "page 0", limits.MAX_HEIGHT_PIXELS, limits.MAX_RATIO)
        if page.samplesperpixel != 1 or page.imagedepth != 1:
            raise Refused("page 0", f"{page.samplesperpixel} samples a pixel", "one height a pixel")
        if page.dtype is None or page.dtype not in (np.dtype("f4"), np.dtype("f8")):
            raise Refused("page 0", f"the type {page.dtype}", "float32 or float64, nanometres")
        data = np.asarray(page.asarray())
    if data.shape != (page.imagelength, page.imagewidth):
        raise Refused("page 0", f"the shape {data.shape}", "(rows, cols)")
    return RawHeight(np.ascontiguousarray(data, data.dtype.newbyteorder("=")), "TIFF")
