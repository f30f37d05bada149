"""With which model, tip and depth a number was found: words that stand beside every modulus."""

from __future__ import annotations

from math import isfinite

from engine.assumptions import Assumptions, tip_of
from viewer.card_facts import SiteFacts
from viewer.card_text import SHAPE_WORDS, tip_words, with_unit

_HALF_SPACE = " on a half-space"
_BASES = {"bonded": "bonded to its base", "sliding": "sliding on its base"}


def law_words(assumed: Assumptions) -> str:
    """Name the contact law, without what lies under the tip."""
    name = assumed.tip.law.name
    return SHAPE_WORDS.get(name, name.replace("_", " ")).removesuffix(_HALF_SPACE)


def model_words(assumed: Assumptions) -> str:
    """Name the contact law and what lies under the tip."""
    layer = assumed.layer
    if layer is None:
        return law_words(assumed) + _HALF_SPACE
    thickness = with_unit(layer.thickness_nm / 1e3, "µm")
    return f"{law_words(assumed)} on a layer of {thickness}, {_BASES[layer.base]}"


def share_words(assumed: Assumptions) -> str:
    """Say which part of each indentation is fitted; nothing where it is all of it."""
    share = assumed.depth_share
    return "" if share >= 1.0 else f"first {100 * share:.0f} % of each indentation"


def depth_words(site: SiteFacts) -> str:
    """Say from where to where the modulus reaches; nothing where it is not known."""
    depth, low, high = (site.number(f"indentation_{end}nm") for end in ("", "p05_", "p95_"))
    if not isfinite(depth):
        return ""
    among = f" ({low:.0f} to {high:.0f} among the curves)" if isfinite(low) else ""
    return f"0 to {depth:.0f} nm deep{among}"


def tip_row(site: SiteFacts) -> str:
    """Shape and sizes of the tip; where the settings say otherwise, the disc folder's as well."""
    tip, own = site.assumed.tip, tip_of(site.probe)
    found = {"shape": tip.shape.replace("_", " "), "half_angle_deg": tip.half_angle_deg}
    words = tip_words(found | {"radius_um": tip.radius_nm and tip.radius_nm / 1e3})
    return words if tip == own else f"{words} (settings; disc folder: {tip_words(site.probe)})"


def poisson_row(site: SiteFacts) -> str:
    """Poisson's ratio, and the disc folder's where the settings say otherwise."""
    used, own = site.assumed.poisson_ratio, float(site.sample["poisson_ratio"])
    return f"{used:g} (assumed)" if used == own else f"{used:g} (settings; disc folder: {own:g})"
