"""What the error of the sites' places means for the linked plot, in words."""

from __future__ import annotations

from math import isfinite

import numpy as np
import pandas as pd

from engine.across import reliability
from viewer.card_text import plain_number
from viewer.scatter_data import SitePairs

NEAR_BORDER = "near_pattern_border"
INDEX, INDEX_SD = "pattern_index", "pattern_index_position_sd"
_OF_THE_WINDOW = ("pattern_", "fraction_", "cell_density", "cells_in_window")
_WORTH_SAYING = 0.005


def place_cautions(
    pairs: SitePairs, x_name: str, y_name: str, table: pd.DataFrame
) -> tuple[str, ...]:
    """Say how many points lie near a border between patterns, and what that does to the slope.

    Parameters
    ----------
    pairs
        The points.
    x_name, y_name
        The quantities along the axes.
    table
        All sites.
    """
    found: list[str] = []
    keyed = table.set_index(["disc", "site"])
    for axis, name in (("x", x_name), ("y", y_name)):
        if not name.startswith(_OF_THE_WINDOW) or INDEX_SD not in keyed:
            continue
        rows = keyed.reindex(_sites_of(pairs, axis))
        found += _border(rows["flags"])
        if axis == "x" and name == INDEX:
            found += _flatter(pairs.x, rows[INDEX_SD].to_numpy(dtype=float, na_value=np.nan))
    return tuple(dict.fromkeys(found))


def _sites_of(pairs: SitePairs, axis: str) -> list[tuple[str, str]]:
    """Disc and site of each point's value along an axis."""
    own = not pairs.joined or axis == pairs.base
    return list(zip(pairs.disc, pairs.site if own else pairs.partner, strict=True))


def _border(flags: pd.Series) -> list[str]:
    near = sum(NEAR_BORDER in str(text).split(";") for text in flags)
    if not near:
        return []
    return [
        f"{near} of {len(flags)} points lie near a border between patterns: shifted as far as "
        "their place is unsure, their cell window has another pattern."
    ]


def _flatter(x: np.ndarray, sd: np.ndarray) -> list[str]:
    share = reliability(x, sd)
    if not isfinite(share) or share > 1 - _WORTH_SAYING:
        return []
    rms = float(np.sqrt(np.nanmean(sd**2)))
    return [
        f"The landmarks leave the sites' pattern index unsure by ± {plain_number(rms, 2)} (root "
        f"mean square); that alone makes the slope about {100 * (1 - share):.0f} % too flat."
    ]
