"""The words beside the linked plot: slope, correlation, pairing and cautions."""

from __future__ import annotations

from math import isfinite

import numpy as np
import pandas as pd

from engine.across import SlopeFit
from engine.across.flags import FLAGS
from engine.image_basis import unlike_images
from engine.store.schema import column
from viewer.card_text import DASH, plain_number, value_and_interval
from viewer.regions_data import KIND_WORDS
from viewer.scatter_data import SitePairs

_SENTENCES = {flag.name: flag.sentence for flag in FLAGS}


def slope_unit(x_name: str, y_name: str) -> str:
    """Write the unit of a slope."""
    x_unit, y_unit = column("sites", x_name).unit, column("sites", y_name).unit
    if not x_unit:
        return f"{y_unit} per unit" if y_unit else "per unit"
    return f"{y_unit or '1'} per {x_unit}"


def slope_words(fit: SlopeFit, x_name: str, y_name: str) -> tuple[str, str]:
    """Slope with interval and unit; and correlation with interval, p and n."""
    if fit.method == "none":
        return "no line", f"n = {fit.n}"
    number, span = value_and_interval(fit.slope, fit.slope_low, fit.slope_high)
    slope = f"{number} ({span}) {slope_unit(x_name, y_name)}" if span else number
    r = f"{fit.r:.2f}".replace("-", "−") if isfinite(fit.r) else DASH
    if isfinite(fit.r_low):
        r += f" ({fit.r_low:.2f} to {fit.r_high:.2f})".replace("-", "−")
    p = "p < 0.0001" if fit.p < 1e-4 else f"p = {plain_number(fit.p, 2)}"
    return slope, f"r = {r}, {p}, n = {fit.n}"


def pairing_words(pairs: SitePairs, x_name: str, y_name: str) -> str:
    """How the two values of a point came together."""
    if not pairs.joined:
        return "Each point is one site that holds both values."
    names = (x_name, y_name) if pairs.base == "x" else (y_name, x_name)
    own, other = (column("sites", name).label for name in names)
    words = (
        f"Each point joins a site's {own} to the {other} of the nearest other site of its disc, "
        f"at most {plain_number(pairs.max_distance_um)} µm away"
    )
    if pairs.distance_um.size:
        median, most = float(np.median(pairs.distance_um)), float(pairs.distance_um.max())
        words += f" (used: median {plain_number(median)}, most {plain_number(most)} µm)"
    return f"{words}; none was found for {pairs.unpaired} of the sites."


def scatter_cautions(pairs: SitePairs, fit: SlopeFit, table: pd.DataFrame) -> list[str]:
    """Say what to mind when reading line and band."""
    found = [_SENTENCES.get(name, name) for name in fit.flags]
    found.append(
        "Neighbouring sites resemble each other, so that the band is rather too narrow; a slope "
        "is no cause."
    )
    if pairs.shared_partners:
        found.append(
            f"{pairs.shared_partners} partner(s) serve several points, which are then not "
            "independent."
        )
    held = table.iloc[pairs.row]
    donors = sorted(set(held["donor"]))
    if len(donors) == 1:
        found.append(f"All points come from one donor ({donors[0]}): nothing about others follows.")
    elif len(donors) > 1:
        found.append(f"{len(donors)} donors are taken together as if independent.")
    kinds = sorted(set(held["kind"]))
    if len(kinds) > 1:
        words = " and ".join(KIND_WORDS.get(kind, kind) for kind in kinds)
        found.append(f"Points are of different kinds ({words}).")
    return found


def unlike_cautions(
    pairs: SitePairs, x_name: str, y_name: str, table: pd.DataFrame
) -> tuple[str, ...]:
    """Say where the images behind the points differ in what one of the quantities rests on."""
    taken = set(zip(pairs.disc, pairs.site, strict=True))
    taken |= set(zip(pairs.disc, pairs.partner, strict=True))
    keys = zip(table["disc"], table["site"], strict=True)
    held = table[np.fromiter((key in taken for key in keys), bool, len(table))]
    both = (*unlike_images(held, x_name), *unlike_images(held, y_name))
    return tuple(dict.fromkeys(both))
