"""What lies under the pointer, in words: each reader tells what its layer shows there.

A new reader is a function and a line in `READERS`; the page asks while the pointer is over a site.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from engine.view.hit import nearest_site
from engine.view.site_maps import cell_at
from viewer.gallery import Gallery
from viewer.look import Look
from viewer.numbers import number
from viewer.site_maps import (
    CHOICES,
    HEIGHT,
    SHADED,
    load_of,
    map_unit,
    mapped_sites,
    readable,
    site_maps,
)

_WORDS = {HEIGHT: "surface", SHADED: "surface", "modulus": "modulus", "adhesion": "adhesion"}
Reader = Callable[[Gallery, str, Look, float, float, float], str]
"""Takes gallery, disc, look, x and y (µm, disc frame) and micrometres to a screen pixel."""


def read_out(
    gallery: Gallery, disc: str, look: Look, x_um: float, y_um: float, um_per_px: float
) -> str:
    """Say what lies at a place as a look shows it; empty where there is nothing to say.

    Parameters
    ----------
    gallery
        The discs.
    disc, look
        What is looked at, and how.
    x_um, y_um
        The place, disc frame.
    um_per_px
        Scale of the view: what is too small to be seen is not read out.
    """
    told = (reader(gallery, disc, look, x_um, y_um, um_per_px) for reader in READERS)
    return "; ".join(filter(None, told))


def nano_value(
    gallery: Gallery, disc: str, look: Look, x_um: float, y_um: float, um_per_px: float
) -> str:
    """Tell the value of a nanometre site's map, or the height of its image, at a place."""
    scene, library = gallery.scene(disc), gallery.library
    site = nearest_site(scene.sites, x_um, y_um, um_per_px)
    if "heights" not in look.layers or site is None or not readable(scene, um_per_px, site):
        return ""
    foot = scene.sites[site]
    if look.site_map in CHOICES and look.site_map and site in mapped_sites(library, disc):
        maps = site_maps(library, disc, site)
        cell = None if maps is None else cell_at(foot, maps.shape, x_um, y_um)
        if maps is None or cell is None:
            return ""
        # at which load the legend says: the foot of the plane is narrow
        value = float(maps.shown(look.site_map, load_of(look.load))[cell])
        return f"{_WORDS[look.site_map]} {_value(value, map_unit(look.site_map))}"
    heights = _heights(gallery, disc, site)
    if heights is None:
        return ""
    u, v = (float(w) for w in foot.from_disc(x_um, y_um))
    at = u / foot.width_um + 0.5, v / foot.height_um + 0.5
    if not all(0.0 <= share < 1.0 for share in at):
        return ""
    row, col = (int(share * n) for share, n in zip(at[::-1], heights.shape, strict=True))
    return f"height {_value(float(heights[row, col]), 'nm')}"


def _heights(gallery: Gallery, disc: str, site: str) -> NDArray[np.float32] | None:
    levelled = gallery.library.detail(disc, site).get("levelled_nm")
    return None if levelled is None else np.asarray(levelled)


def _value(value: float, unit: str) -> str:
    return f"{number(value)} {unit}" if isfinite(value) else "no value"


READERS: tuple[Reader, ...] = (nano_value,)
