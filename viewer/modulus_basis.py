"""What apparent moduli rest on: law, depth, probe and day, and what may therefore be compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from viewer.card_text import SHAPE_WORDS, plain_number
from viewer.library import Library

NAME = "apparent indentation modulus"
_GEOMETRY = ("shape", "radius_um", "half_angle_deg")
_CALIBRATION = ("spring_constant_N_per_m", "sensitivity_nm_per_V")


def is_modulus(quantity: str) -> bool:
    """Tell whether a site quantity is a modulus, to be read with law and depth.

    Examples
    --------
    >>> is_modulus("sites.modulus_kPa"), is_modulus("Sa_nm")
    (True, False)
    """
    return quantity.removeprefix("sites.").startswith("modulus_") and quantity.endswith("kPa")


def basis_words(sites: pd.DataFrame) -> str:
    """Say with which probe, law and depth the moduli of some sites were found.

    Parameters
    ----------
    sites
        Rows of the table ``sites``.

    Returns
    -------
    str
        One part a probe and law; empty where no site has a modulus, or the run is too old to say.
    """
    if not {"modulus_model", "indentation_nm"} <= set(sites.columns):
        return ""
    known = sites[np.isfinite(sites["modulus_kPa"].to_numpy(float, na_value=np.nan))]
    layers = known.get("modulus_layer", pd.Series("", index=known.index)).fillna("")
    parts = []
    for (probe, law, layer), rows in known.groupby(
        [known["probe"], known["modulus_model"], layers], sort=True
    ):
        depth = rows["indentation_nm"].to_numpy(float, na_value=np.nan)
        low, high = (f"{value:.0f}" for value in np.nanquantile(depth, [0.0, 1.0]))
        reach = low if low == high else f"{low}–{high}"
        words = SHAPE_WORDS.get(str(law), str(law)).removesuffix(" on a half-space")
        under = f", {layer} layer" if layer else ""
        parts.append(f"{probe}, {words}{under}, 0 to {reach} nm deep")
    return "; ".join(parts)


@dataclass(frozen=True)
class Origin:
    """Where moduli come from: one disc's probe.

    Attributes
    ----------
    disc, probe
        Names.
    day
        Date of the measurement; empty where the folder does not say.
    geometry, calibration
        Shape and sizes of the tip; spring constant and sensitivity.
    """

    disc: str
    probe: str
    day: str
    geometry: tuple[Any, ...]
    calibration: tuple[Any, ...]


def origins(library: Library, sites: pd.DataFrame) -> tuple[Origin, ...]:
    """Give the probes that some sites were measured with, each once."""
    pairs = sites[["disc", "probe"]].drop_duplicates().itertuples(index=False)
    found = []
    for disc, name in pairs:
        info = library.store(str(disc)).info
        probe = info["probes"][str(name)]
        found.append(
            Origin(
                str(disc),
                str(name),
                str(info["disc"].get("measured_on") or ""),
                tuple(probe.get(key) for key in _GEOMETRY),
                tuple(probe.get(key) for key in _CALIBRATION),
            )
        )
    return tuple(found)


def relation(first: Origin, second: Origin) -> str:
    """Tell how far two probes are one: ``same``, ``same day apart``, or ``other``."""
    if (first.disc, first.probe) == (second.disc, second.probe):
        return "same"
    if (first.probe, first.geometry) != (second.probe, second.geometry):
        return "other"
    known = bool(first.day) and first.day == second.day
    return "same" if known and first.calibration == second.calibration else "same day apart"


def compared_words(
    library: Library, letters: Sequence[str], groups: Sequence[pd.DataFrame]
) -> tuple[str, ...]:
    """Say of regions what of their moduli may be compared.

    Parameters
    ----------
    library
        The open discs.
    letters, groups
        Names of the regions, and the rows of the site table behind each.

    Returns
    -------
    tuple of str
        One sentence a pair, the same said once; nothing where the run knows no budget.
    """
    said: dict[str, list[str]] = {}
    for (a, one), (b, two) in combinations(zip(letters, groups, strict=True), 2):
        if len(one) and len(two):
            sentence = _pair(library, one, two)
            if sentence:
                said.setdefault(sentence, []).append(f"{a}−{b}")
    every = len(letters) * (len(letters) - 1) // 2
    return tuple(
        text if len(pairs) == every else f"{', '.join(pairs)}: {text}"
        for text, pairs in said.items()
    )


def _pair(library: Library, one: pd.DataFrame, two: pd.DataFrame) -> str:
    shared = [_shared(rows) for rows in (one, two)]
    if not np.isfinite(shared).all():
        return ""
    kinds = {relation(a, b) for a in origins(library, one) for b in origins(library, two)}
    least = plain_number(100 * 1.96 * float(np.hypot(shared[0], shared[1])), 2)
    if kinds == {"same"}:
        return "Same probe, same day: what the probe has wrong cancels in the difference."
    if kinds == {"same", "same day apart"} or kinds == {"same day apart"}:
        return (
            "Same probe, other days: what was calibrated anew does not cancel; differences below "
            f"about {least} % may come from it alone."
        )
    return (
        "Different probes: nothing cancels, and each sees its own depth and volume; differences "
        f"below about {least} % may come from the calibrations alone."
    )


def _shared(rows: pd.DataFrame) -> float:
    values: NDArray[np.float64] = rows["modulus_syst_rel"].to_numpy(float, na_value=np.nan)
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def tray_words(
    library: Library, letters: Sequence[str], groups: Sequence[pd.DataFrame]
) -> tuple[str, ...]:
    """Say all that stands beside moduli of regions: what they are, and what may be compared.

    Parameters
    ----------
    library, letters, groups
        As in `compared_words`.
    """
    held = pd.concat(groups) if groups else pd.DataFrame()
    basis = basis_words(held) if len(held) else ""
    first = f"{NAME.capitalize()}: {basis}." if basis else ""
    said = (first, *compared_words(library, letters, groups), not_quotable_words(held))
    return tuple(text for text in said if text)


def scatter_words(library: Library, held: pd.DataFrame, names: Sequence[str]) -> tuple[str, ...]:
    """Say what to mind where moduli of several probes or days share one plot.

    Parameters
    ----------
    library
        The open discs.
    held
        Rows of the site table behind the points.
    names
        Quantities of the axes.
    """
    if not any(is_modulus(name) for name in names) or not len(held):
        return ()
    shared = _shared(held) if "modulus_syst_rel" in held else float("nan")
    with_curves = held[np.isfinite(held["modulus_kPa"].to_numpy(float, na_value=np.nan))]
    if not np.isfinite(shared) or not len(with_curves):
        return ()
    found = origins(library, with_curves)
    if all(relation(found[0], other) == "same" for other in found[1:]):
        return ()
    return (
        f"Moduli of {len(found)} probes or days are taken together: each group shares its own "
        f"error of calibration, about {plain_number(100 * shared, 2)} % (one standard deviation).",
    )


def not_quotable_words(sites: pd.DataFrame) -> str:
    """Say how many of some sites should not be quoted; empty where none."""
    if "quotable" not in sites.columns:
        return ""
    bad = int((sites["quotable"].fillna(True) == False).sum())  # noqa: E712 - nullable booleans
    if not bad:
        return ""
    noun = "site's modulus" if bad == 1 else "sites' moduli"
    return f"{bad} {noun} should not be quoted (see the card): leave them out of the regions."
