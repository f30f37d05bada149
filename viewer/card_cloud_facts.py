"""All force curves of one map in one frame, each moved to its own contact; and their density."""

from __future__ import annotations

from dataclasses import dataclass

import datashader as ds
import holoviews as hv
import numpy as np
from holoviews.operation.datashader import rasterize, shade
from numpy.typing import NDArray

from viewer.card_facts import MapFacts, SiteFacts, read_only
from viewer.card_spread import spread_of
from viewer.library import Library

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

PICTURE_PX = (640, 400)
"""Width and height of a density picture; about two of its pixels to one of the screen."""
FINE_LINES = 400
"""Up to so many curves a line is drawn two picture pixels wide, so that a single one is seen."""
FAINTEST = 100
"""Opacity of a single curve, of 255."""

# names of its own: HoloViews links the axes of all plots whose dimensions have one name
DRIVE = hv.Dimension("cloud_drive_um", label="drive past contact", unit="µm")
DEFLECTION = hv.Dimension("cloud_deflection_nm", label="deflection less baseline", unit="nm")
DEPTH = hv.Dimension("cloud_depth_nm", label="indentation", unit="nm")
FORCE = hv.Dimension("cloud_force_nN", label="force", unit="nN")


@dataclass(frozen=True)
class Box:
    """Ends of both axes, in the units of the axes."""

    x0: float
    x1: float
    y0: float
    y1: float


@dataclass(frozen=True)
class CurveCloud:
    """The approaches of one map as two long lines, NaN between the curves.

    Attributes
    ----------
    used, left_out
        The curves that count and those that do not, as HoloViews curves.
    whole
        The box that holds the used curves, or all where none is used.
    curves_used, curves_left_out
        Their numbers.
    without_contact
        How many of those left out have no contact of their own; they are put to the map's median.
    """

    used: hv.Curve
    left_out: hv.Curve
    whole: Box
    curves_used: int
    curves_left_out: int
    without_contact: int


def curve_cloud(library: Library, site: SiteFacts, found: MapFacts, as_force: bool) -> CurveCloud:
    """Read all curves of a map, or a spread of a large one, and move each to its contact.

    Contacts and baselines are those of the run's table.

    Parameters
    ----------
    library, site, found
        The open discs, the site, and its fitted curves.
    as_force
        Force against indentation; else deflection, less its baseline, against drive.
    """
    spread = spread_of(library, site)
    d = spread.deflection_nm
    z = np.broadcast_to(spread.z_nm, d.shape)
    table = library.site_curves(site.disc, site.stored.site).iloc[spread.index]
    used, out = found.used[spread.index], (found.taken & ~found.used)[spread.index]
    contact = 1e3 * table["contact_z_um"].to_numpy(dtype=float, na_value=np.nan)
    offset, slope = (
        table[name].to_numpy(dtype=float, na_value=np.nan)
        if name in table
        else np.full(len(table), np.nan)
        for name in ("baseline_offset_nm", "baseline_slope")
    )
    found_itself = np.isfinite(contact)
    if found_itself.any():
        contact = np.where(found_itself, contact, np.median(contact[found_itself]))
    contact = np.where(np.isfinite(contact), contact, z[:, 0])
    flat = ~np.isfinite(offset) | ~np.isfinite(slope)
    offset = np.where(flat, _start_level(d), offset)
    slope = np.where(flat, 0.0, slope)
    drive = z - contact[:, None]
    push = d - offset[:, None] - slope[:, None] * z
    k = float(site.probe["spring_constant_N_per_m"])
    x, y = (drive - push, push * k) if as_force else (drive / 1e3, push)
    kinds = [DEPTH, FORCE] if as_force else [DRIVE, DEFLECTION]
    shown = used if used.any() else out
    return CurveCloud(
        used=hv.Curve(_joined(x[used], y[used]), *kinds),
        left_out=hv.Curve(_joined(x[out], y[out]), *kinds),
        whole=_box(x[shown], y[shown]),
        curves_used=int(used.sum()),
        curves_left_out=int(out.sum()),
        without_contact=int((out & ~found_itself).sum()),
    )


def _start_level(d: Floats) -> Floats:
    """Level of the first tenth of each curve: a baseline where none was fitted."""
    head = d[:, : max(1, d.shape[1] // 10)]
    known = np.isfinite(head)
    return np.where(known, head, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)


def _joined(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Lay curves (n, s) end to end, a NaN after each."""
    gap = np.full((len(x), 1), np.nan)
    return (np.hstack([x, gap]).ravel(), np.hstack([y, gap]).ravel())


def _box(x: Floats, y: Floats) -> Box:
    if not np.isfinite(x).any():
        return Box(0.0, 1.0, 0.0, 1.0)
    x0, x1, y0, y1 = np.nanmin(x), np.nanmax(x), np.nanmin(y), np.nanmax(y)
    dx, dy = 0.02 * (x1 - x0) or 0.5, 0.05 * (y1 - y0) or 0.5
    return Box(float(x0 - dx), float(x1 + dx), float(y0 - dy), float(y1 + dy))


def density(curves: hv.Curve, count: int, box: Box, colour: str) -> Bytes:
    """Draw how many curves run where.

    Parameters
    ----------
    curves, count
        Curves end to end, and how many they are.
    box
        What is drawn.
    colour
        Of the line; one curve is faint, the most at one place are opaque, log scale between.

    Returns
    -------
    numpy.ndarray
        (height, width, 4) uint8, bottom row first.
    """
    width, height = PICTURE_PX
    if not count:
        return np.zeros((height, width, 4), np.uint8)
    counted = rasterize(
        curves,
        aggregator=ds.count(),
        width=width,
        height=height,
        x_range=(box.x0, box.x1),
        y_range=(box.y0, box.y1),
        dynamic=False,
    )
    if count <= FINE_LINES:
        _thicken(counted.data[counted.vdims[0].name].to_numpy())
    drawn = shade(counted, cmap=colour, cnorm="log", min_alpha=FAINTEST, dynamic=False)
    layers = [drawn.dimension_values(i, flat=False) for i in range(2, 6)]
    return np.stack(layers, axis=-1).astype(np.uint8)


def _thicken(counts: NDArray[np.uint32]) -> None:
    """Make lines one pixel thicker in place; Datashader's own wide lines compile for seconds."""
    for before, after in ((counts[:-1], counts[1:]), (counts[:, :-1], counts[:, 1:])):
        np.maximum(before, after, out=before)


def over(below: Bytes, above: Bytes) -> Bytes:
    """Lay one picture over another (both with alpha not multiplied in)."""
    a, b = above[..., 3:] / 255.0, below[..., 3:] / 255.0
    alpha = a + b * (1.0 - a)
    mixed = above[..., :3] * a + below[..., :3] * b * (1.0 - a)
    colour = np.divide(mixed, alpha, out=np.zeros_like(mixed), where=alpha > 0)
    return read_only(np.round(np.concatenate([colour, 255.0 * alpha], axis=-1)), np.uint8)
