"""The whole view as text in the address bar, and back.

Version 1 is a query string: ``v=1``, then the disc ``d``, the view ``x``, ``y``, ``s``
(micrometres, micrometres to a pixel), ``c`` (colour by), ``site``, ``k`` (curve), ``cg`` (centre of
a group of cells), ``tab``, ``l`` (layers), ``t`` (dark or light), ``f`` (which of card and tray are
unfolded), ``g=0`` (the legend is folded), ``p=1`` (large type), ``st`` (stains), ``fd`` (field),
``mp`` and ``ld`` (map of the nanometre sites, and load), ``px`` and ``py`` (the tray's plot), and
one of ``A`` to ``D`` for each region. What is missing keeps its default; what cannot be read is
left out, so that a link that was cut short still opens.
"""

from __future__ import annotations

import base64
import binascii
import re
from math import isfinite
from typing import Any
from urllib.parse import parse_qsl, urlencode

import numpy as np
from numpy.typing import NDArray

from viewer.state import (
    CARD_TABS,
    CHOICE,
    CHOICE_KEYS,
    LAYERS,
    MAX_UM_PER_PX,
    MIN_UM_PER_PX,
    REGION_LETTERS,
    Region,
    ViewState,
    make_region,
)

VERSION = "1"
LONGEST = 8000
"""Longer addresses are not read: browsers cut them, and nobody writes them."""
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
_STEPS = 4000
"""A region's corners are kept to this share of its size."""
MOST_CORNERS = 64

FIELDS = (
    "disc",
    "centre_x_um",
    "centre_y_um",
    "um_per_px",
    "colour_by",
    "site",
    "curve",
    "group",
    "card_tab",
    "layers",
    "stains",
    "field",
    "site_map",
    "load",
    "dark",
    "card_open",
    "tray_open",
    "legend_open",
    "clips_open",
    "present",
    "scatter_x",
    "scatter_y",
    "regions",
)
"""Parameters of `ViewState` that the address holds."""


def encode(state: ViewState) -> str:
    """Write a view as a query string, with its question mark."""
    digits = max(2, 3 - int(np.floor(np.log10(state.um_per_px))))
    pairs: list[tuple[str, str]] = [
        ("v", VERSION),
        ("d", state.disc),
        ("x", f"{state.centre_x_um:.{digits}f}"),
        ("y", f"{state.centre_y_um:.{digits}f}"),
        ("s", f"{state.um_per_px:.6g}"),
        ("c", state.colour_by),
    ]
    if state.site:
        pairs.append(("site", state.site))
    if state.site and state.curve is not None:
        pairs.append(("k", str(state.curve)))
    if state.group:
        pairs.append(("cg", state.group))
    if state.clips_open:
        pairs.append(("e", "1"))
    if not state.legend_open:
        pairs.append(("g", "0"))
    if state.present:
        pairs.append(("p", "1"))
    pairs += [
        ("tab", state.card_tab),
        ("l", ".".join(state.layers) or "none"),
        ("t", "dark" if state.dark else "light"),
        ("f", ("c" if state.card_open else "") + ("t" if state.tray_open else "") or "0"),
        ("px", state.scatter_x),
        ("py", state.scatter_y),
    ]
    pairs += [(key, getattr(state, n)) for n, key in CHOICE_KEYS.items() if getattr(state, n)]
    pairs += [(letter, _region_text(region)) for letter, region in state.regions.items()]
    return "?" + urlencode(pairs, safe=".,;")


def decode(search: str) -> dict[str, Any]:
    """Read a query string into values of `ViewState`'s parameters.

    Parameters
    ----------
    search
        With or without its question mark.

    Returns
    -------
    dict
        Only what stands there and can be read; empty for another version.
    """
    if len(search) > LONGEST:
        return {}
    given = dict(parse_qsl(search.lstrip("?"), keep_blank_values=True))
    if given.get("v") != VERSION:
        return {}
    found: dict[str, Any] = {}
    _read_names(given, found)
    _read_view(given, found)
    _read_choices(given, found)
    regions = {
        letter: region
        for letter in REGION_LETTERS
        if letter in given and (region := _region_of(given[letter])) is not None
    }
    if regions or "v" in given:
        found["regions"] = regions
    return found


def _read_names(given: dict[str, str], found: dict[str, Any]) -> None:
    for key, name in (("d", "disc"), ("px", "scatter_x"), ("py", "scatter_y")):
        if _NAME.fullmatch(given.get(key, "")):
            found[name] = given[key]
    table, _, quantity = given.get("c", "").partition(".")
    if table in ("sites", "cells") and _NAME.fullmatch(quantity):
        found["colour_by"] = given["c"]
    site = given.get("site", "")
    found["site"] = site if _NAME.fullmatch(site) else ""
    group = given.get("cg", "")
    found["group"] = group if _NAME.fullmatch(group) else ""
    curve = given.get("k", "")
    found["curve"] = int(curve) if found["site"] and re.fullmatch(r"\d{1,7}", curve) else None


def _read_view(given: dict[str, str], found: dict[str, Any]) -> None:
    try:
        x, y, s = (float(given[key]) for key in "xys")
    except (KeyError, ValueError):
        return
    if isfinite(x) and isfinite(y) and MIN_UM_PER_PX <= s <= MAX_UM_PER_PX:
        found.update(centre_x_um=x, centre_y_um=y, um_per_px=s)


def _read_choices(given: dict[str, str], found: dict[str, Any]) -> None:
    if given.get("tab") in CARD_TABS:
        found["card_tab"] = given["tab"]
    if "l" in given:
        named = given["l"].split(".")
        found["layers"] = [layer for layer in LAYERS if layer in named]
    if given.get("t") in ("dark", "light"):
        found["dark"] = given["t"] == "dark"
    if "f" in given:
        found.update(card_open="c" in given["f"], tray_open="t" in given["f"])
        found["clips_open"] = given.get("e") == "1"
        found.update(legend_open=given.get("g") != "0", present=given.get("p") == "1")
        chosen = {name: given.get(key, "") for name, key in CHOICE_KEYS.items()}
        found |= {name: v if CHOICE.fullmatch(v) else "" for name, v in chosen.items()}


def apply(state: ViewState, search: str) -> bool:
    """Bring a state to what an address says, in one change.

    Returns
    -------
    bool
        Whether the address said anything.
    """
    found = decode(search)
    if found.get("disc", state.disc) not in state.discs:
        found.pop("disc")
    if found:
        state.param.update(**found)
    return bool(found)


def _region_text(region: Region) -> str:
    corners = _thinned(region.polygon_um)
    low = corners.min(axis=0)
    size = float(np.ptp(corners, axis=0).max()) or 1.0
    steps = np.rint((corners - low) / size * _STEPS).astype("<u2")
    packed = base64.urlsafe_b64encode(steps.tobytes()).decode().rstrip("=")
    return f"{region.disc},{float(low[0]):.9g},{float(low[1]):.9g},{size:.6g},{packed}"


def _thinned(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    from shapely.geometry import Polygon

    size = float(np.ptp(corners, axis=0).max())
    tolerance = size / 1000
    while len(corners) > MOST_CORNERS:
        simple = np.array(Polygon(corners).simplify(tolerance).exterior.coords)[:-1]
        corners = simple if len(simple) >= 3 else corners[:: len(corners) // MOST_CORNERS + 1]
        tolerance *= 1.6
    return corners


def _region_of(text: str) -> Region | None:
    parts = text.split(",")
    if len(parts) != 5 or not _NAME.fullmatch(parts[0]):
        return None
    try:
        x, y, size = (float(part) for part in parts[1:4])
        packed = base64.urlsafe_b64decode(parts[4] + "=" * (-len(parts[4]) % 4))
        steps = np.frombuffer(packed, dtype="<u2").reshape(-1, 2)
        return make_region(parts[0], np.array([x, y]) + steps * (size / _STEPS))
    except (ValueError, binascii.Error):
        return None
