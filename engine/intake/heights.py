"""Height images as handed over, and the table of formats that they are read from.

A reader is a function of a path and a :class:`~engine.intake.report.Report`; it gives a
:class:`RawHeight`, or raises :class:`~engine.intake.report.Refused`. Others join by an entry
point in the group ``splendens.height_readers`` whose name is the file's suffix without the dot.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.report import Report

ACCEPTED = "TIFF, NPY, SDF (ISO 25178-71) or X3P (ISO 25178-72)"
AGREE = 0.01
"""Relative difference up to which two statements of one size agree (the contract's figure)."""


@dataclass(frozen=True)
class RawHeight:
    """What a format says.

    Attributes
    ----------
    height_nm
        (rows, cols), float32 or float64, NaN where there is no datum; row 0 has the smallest v.
    format
        Name of the format.
    spacing_u_nm, spacing_v_nm
        Distance of neighbouring points, where the format tells it.
    """

    height_nm: NDArray[Any]
    format: str
    spacing_u_nm: float | None = None
    spacing_v_nm: float | None = None


@dataclass(frozen=True)
class HeightImage:
    """A height image of one site.

    Attributes
    ----------
    height_nm
        (rows, cols), float32 or float64, NaN where there is no datum; row 0 has the smallest v.
    pixel_u_nm, pixel_v_nm
        Pixel size along u and v: the file's own where it tells one, else size over count.
    format
        Name of the format.
    cautions
        Names of the cautions raised by this image.
    """

    height_nm: NDArray[Any]
    pixel_u_nm: float
    pixel_v_nm: float
    format: str
    cautions: tuple[str, ...] = ()


HeightReader = Callable[[Path, Report], RawHeight]


def place_image(
    raw: RawHeight, width_um: float, height_um: float, report: Report
) -> HeightImage | None:
    """Join an image with the size that the table of sites gives it.

    Parameters
    ----------
    raw
        The image as read.
    width_um, height_um
        Size along u and v; NaN where the table's own cell is wrong.
    report
        Takes the defect where the sizes contradict, and the cautions.
    """
    infinite = int(np.isinf(raw.height_nm).sum())
    if infinite:
        report.defect("", f"{infinite} infinite heights", "finite heights; NaN for no datum")
    rows, cols = raw.height_nm.shape
    pixel_u = _pixel(raw.spacing_u_nm, cols, width_um, "width_um", report)
    pixel_v = _pixel(raw.spacing_v_nm, rows, height_um, "height_um", report)
    if infinite or pixel_u is None or pixel_v is None:
        return None
    if np.isnan(raw.height_nm).all():
        report.caution("image_all_nan", "The height image holds no datum: every pixel is NaN.")
    cautions = tuple(dict.fromkeys(report.raised))
    return HeightImage(raw.height_nm, pixel_u, pixel_v, raw.format, cautions)


def _pixel(
    spacing_nm: float | None, count: int, size_um: float, column: str, report: Report
) -> float | None:
    if not np.isfinite(size_um):
        return spacing_nm
    if spacing_nm is None:
        return size_um * 1e3 / count
    # both readings of a width are in use: pixels that tile it, or points that span it
    off = min(abs(n * spacing_nm / (size_um * 1e3) - 1) for n in (count, max(count - 1, 1)))
    if off > AGREE * (1 + 1e-9):
        report.defect(
            column,
            f"{count} points of {spacing_nm:g} nm, {count * spacing_nm / 1e3:g} um",
            f"{size_um:g} um within 1 %, as in the table of sites",
        )
        return None
    return spacing_nm
