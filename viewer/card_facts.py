"""What the site card shows, read once from the store and kept: facts without any figure.

Arrays handed out are shared by all sessions and read only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.assumptions import Assumptions
from engine.store.read import StoredSite
from viewer.library import Library
from viewer.run_settings import assumed_of
from viewer.state import CARD_TABS

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SiteFacts:
    """One site and what the current run says of it.

    Attributes
    ----------
    disc, run
        Where it stands; an empty run where the disc was never analysed.
    stale
        Why the run no longer fits the measurements; empty where it does.
    stored
        The site as imported.
    row
        Its row of the table ``sites``; empty without a run.
    probe, sample
        As the disc folder described them.
    assumed
        What the run's fits took for granted: mostly the same, else what its settings say.
    faces
        Faces of the card that have something to show, in order.
    """

    disc: str
    run: str
    stale: str
    stored: StoredSite
    row: dict[str, Any]
    probe: dict[str, Any]
    sample: dict[str, Any]
    assumed: Assumptions
    faces: tuple[str, ...]

    def number(self, name: str) -> float:
        """Give a number of the sites table; NaN where there is none."""
        value = self.row.get(name)
        return float("nan") if value is None or pd.isna(value) else float(value)

    def word(self, name: str) -> str:
        """Give a text of the sites table; empty where there is none."""
        value = self.row.get(name)
        return value if isinstance(value, str) else ""


@dataclass(frozen=True)
class MapFacts:
    """The fitted curves of one site; arrays (rows * cols,), curve ``i`` at row ``i // cols``.

    Attributes
    ----------
    rows, cols
        Shape of the map.
    modulus_kPa, modulus_se_kPa
        Apparent indentation modulus and its standard error; NaN where there is none.
    indentation_nm, exponent, exponent_se
        Depth reached, and the exponent if set free.
    used
        Whether a curve counts in the map's number.
    taken
        Whether a curve was measured there.
    flags
        Names of its flags, joined by ``;``.
    fitted
        Further columns of the table by name, (rows * cols,) each.
    typical
        The used curve nearest to the map's median, the one shown first; the first one taken where
        none is used, -1 where none was taken.
    """

    rows: int
    cols: int
    modulus_kPa: Floats
    modulus_se_kPa: Floats
    indentation_nm: Floats
    exponent: Floats
    exponent_se: Floats
    used: NDArray[np.bool_]
    taken: NDArray[np.bool_]
    flags: tuple[str, ...]
    fitted: dict[str, Floats]
    typical: int


_FITTED = (
    "force_nN", "contact_se_nm", "stiffness_ratio", "adhesion_nN", "dissipation",
    "adhesion_work_aJ", "pull_off_nm", "jkr_modulus_kPa",
)  # fmt: skip


def read_only(values: Any, kind: Any = np.float64) -> Any:
    """Copy values into an array that nobody can change."""
    array = np.array(values, dtype=kind)
    array.flags.writeable = False
    return array


def site_facts(library: Library, disc: str, site: str) -> SiteFacts | None:
    """Read one site; None where the disc has no such site."""
    store = library.store(disc)
    if site not in store.sites:
        return None
    run = library.run(disc) or ""
    return library.kept(("site", disc, run, site), lambda: _read_site(library, disc, run, site))


def _read_site(library: Library, disc: str, run: str, site: str) -> SiteFacts:
    store = library.store(disc)
    stored = store.sites[site]
    table = library.table(disc, "sites")
    rows = table[table["site"] == site].to_dict("records") if run else []
    has = {
        "curves": stored.has_curves,
        "network": stored.has_height,
        "cells": store.mosaic is not None,
    }
    return SiteFacts(
        disc=disc,
        run=run,
        stale=store.run_info(run)["stale"] if run else "",
        stored=stored,
        row={str(name): value for name, value in rows[0].items()} if rows else {},
        probe=dict(store.info["probes"][stored.probe]),
        sample=dict(store.info["sample"]),
        assumed=assumed_of(library, disc, run, stored.probe),
        faces=tuple(face for face in CARD_TABS if has[face]),
    )


def map_facts(library: Library, facts: SiteFacts) -> MapFacts | None:
    """Read the fitted curves of a site; None where there are none."""
    if not facts.run or not facts.stored.has_curves:
        return None
    key = ("map", facts.disc, facts.run, facts.stored.site)
    return library.kept(key, lambda: _read_map(library, facts))


def _read_map(library: Library, facts: SiteFacts) -> MapFacts | None:
    stored = facts.stored
    table = library.site_curves(facts.disc, stored.site)
    if len(table) != stored.rows * stored.cols:
        return None
    modulus = read_only(table["modulus_kPa"])
    used = read_only(table["used"] == 1, bool)
    taken = read_only(library.store(facts.disc).curves(stored.site).valid, bool)
    return MapFacts(
        rows=stored.rows,
        cols=stored.cols,
        modulus_kPa=modulus,
        modulus_se_kPa=read_only(table["modulus_se_kPa"]),
        indentation_nm=read_only(table["indentation_nm"]),
        exponent=read_only(table["exponent"]),
        exponent_se=read_only(table["exponent_se"]),
        used=used,
        taken=taken,
        flags=tuple(text if isinstance(text, str) else "" for text in table["flags"]),
        fitted={name: read_only(table[name]) for name in _FITTED if name in table},
        typical=_typical(modulus, used, taken),
    )


def _typical(modulus_kPa: Floats, used: NDArray[np.bool_], taken: NDArray[np.bool_]) -> int:
    candidates = np.flatnonzero(used & np.isfinite(modulus_kPa))
    if len(candidates):
        away = np.abs(modulus_kPa[candidates] - np.median(modulus_kPa[candidates]))
        return int(candidates[np.argmin(away)])
    candidates = np.flatnonzero(taken)
    return int(candidates[0]) if len(candidates) else -1


def next_taken(facts: MapFacts, index: int, step: int) -> int:
    """Give the next curve that was taken, forwards or backwards, round the end."""
    taken = np.flatnonzero(facts.taken)
    if not len(taken):
        return index
    place = int(np.searchsorted(taken, index))
    if step > 0 and place < len(taken) and taken[place] == index:
        place += 1
    if step < 0:
        place -= 1
    return int(taken[place % len(taken)])
