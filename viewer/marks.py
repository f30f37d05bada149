"""The sites' marks on the plane as columns for the browser."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.view import Scene
from engine.view.ramps import ColourScale
from viewer.gallery import Gallery, split
from viewer.numbers import number
from viewer.theme import palette

MARKERS = {"bead-map": "square", "nano-image": "diamond"}
CROSSED = {"square": "square_x", "diamond": "diamond_cross", "circle": "circle_x"}
"""Marks of sites off the tissue. A hatch would be made anew for every site at every zoom."""


def site_columns(gallery: Gallery, disc: str, colour_by: str, dark: bool) -> dict[str, list[Any]]:
    """Return one row a site for the marks and footprints.

    A site without a value is hollow with a broken edge; one off the tissue is crossed. `mark`,
    `fill_alpha` and `edge_alpha` belong to the page's script, which sets them by the scale.
    """
    scene = gallery.scene(disc)
    rgba = gallery.site_colours(disc, colour_by, dark)
    off = off_tissue(scene, gallery.library.sites(disc))
    quiet, count = palette(dark).quiet, len(scene.sites)
    known = rgba[:, 3] > 0
    fill = [_hex(c) if k else "rgba(0,0,0,0)" for c, k in zip(rgba, known, strict=True)]
    corners = [foot.corners() for foot in scene.sites.values()]
    kinds = [gallery.library.store(disc).sites[site].kind for site in scene.sites]
    markers = [MARKERS.get(kind, "circle") for kind in kinds]
    return {
        "site": list(scene.sites),
        "x": [float(foot.centre_um[0]) for foot in scene.sites.values()],
        "y": [float(foot.centre_um[1]) for foot in scene.sites.values()],
        "xs": [c[:, 0].tolist() for c in corners],
        "ys": [c[:, 1].tolist() for c in corners],
        "size_um": [max(foot.width_um, foot.height_um) for foot in scene.sites.values()],
        "marker": [CROSSED[m] if o else m for m, o in zip(markers, off, strict=True)],
        "fill": fill,
        "line": [c if k else quiet for c, k in zip(fill, known, strict=True)],
        "rim": [("#0b0b0b" if dark else "#3a3a3a") if k else quiet for k in known],
        "dash": ["solid" if k else "dashed" for k in known],
        "solid": [0.9 if k else 0.0 for k in known],
        "text": _texts(gallery, disc, colour_by, list(scene.sites)),
        "mark": [0.0] * count,
        "fill_alpha": [0.0] * count,
        "edge_alpha": [0.0] * count,
    }


def outline_columns(scene: Scene, site: str, curve: int | None, dark: bool) -> dict[str, list[Any]]:
    """Return the outline of the selected site, and the point of the selected curve.

    `ring` belongs to the page's script: a ring is drawn round a selected curve, and round a site
    whose footprint is too small to be seen.
    """
    if site not in scene.sites:
        return {name: [] for name in ("xs", "ys", "x", "y", "line", "size_um", "curve", "ring")}
    foot = scene.sites[site]
    corners = foot.corners()
    x, y = (float(v) for v in foot.centre_um)
    of_curve = False
    numbers = list(scene.sites)
    if curve is not None:
        mine = (scene.curves.site == numbers.index(site)) & (scene.curves.index == curve)
        of_curve = bool(mine.any())
        if of_curve:
            x, y = float(scene.curves.x_um[mine][0]), float(scene.curves.y_um[mine][0])
    return {
        "xs": [corners[:, 0].tolist()],
        "ys": [corners[:, 1].tolist()],
        "x": [x],
        "y": [y],
        "line": [palette(dark).accent],
        "size_um": [max(foot.width_um, foot.height_um)],
        "curve": [of_curve],
        "ring": [0.0],
    }


def _texts(gallery: Gallery, disc: str, colour_by: str, names: list[str]) -> list[str]:
    table, name = split(colour_by)
    sites = gallery.library.sites(disc)
    if table != "sites" or name not in sites:
        return [""] * len(names)
    values = sites.set_index("site")[name].reindex(names)
    if name == "pattern":
        flags = sites.set_index("site")["flags"].reindex(names)
        return [_pattern_text(v, f) for v, f in zip(values, flags, strict=True)]
    scale = gallery.scale(colour_by)
    return [_value_text(v, scale) for v in values.to_numpy(dtype=float, na_value=np.nan)]


def _pattern_text(pattern: Any, flags: Any) -> str:
    if not isinstance(pattern, str) or not pattern:
        return "no value"
    said = str(flags).split(";")
    doubts = {"pattern_ambiguous": "ambiguous", "near_pattern_border": "near a border"}
    return ", ".join([pattern.replace("_", " "), *(w for f, w in doubts.items() if f in said)])


def _value_text(value: float, scale: ColourScale | None) -> str:
    if not np.isfinite(value):
        return "no value"
    return f"{number(value)} {scale.unit if scale else ''}".rstrip()


def off_tissue(scene: Scene, sites: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell for each site of a scene whether it lies off the tissue."""
    if not len(sites):
        return np.zeros(len(scene.sites), bool)
    inside = sites.set_index("site")["in_disc"].reindex(list(scene.sites))
    return np.array([v is not pd.NA and v is not None and v == False for v in inside], bool)  # noqa: E712


def _hex(rgba: np.ndarray) -> str:
    r, g, b = (int(v) for v in rgba[:3])
    return f"#{r:02x}{g:02x}{b:02x}"
