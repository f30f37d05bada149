"""What the run says of one force map as a whole: its budget, its laws, its stretches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from engine.mechanics import why_not_quotable
from viewer.card_curve_facts import run_settings
from viewer.card_facts import SiteFacts
from viewer.library import Library


@dataclass(frozen=True)
class SiteBudget:
    """Uncertainty of a site's modulus as its row of the site table has it; see `Quoted`.

    Attributes
    ----------
    random, shared, total
        Relative standard uncertainties; NaN where not known.
    quotable
        Whether the modulus may be quoted.
    why_not
        Why not; empty if it may.
    """

    random: float
    shared: float
    total: float
    quotable: bool
    why_not: str


@dataclass(frozen=True)
class MapSaid:
    """One map as a whole; empty where the run says nothing.

    Attributes
    ----------
    budget
        Its uncertainty.
    sources
        Rows of the table ``budgets``.
    laws
        Rows of the table ``laws``, best first.
    stretches
        Rows of the table ``stretches``, in the order of the curves.
    """

    budget: SiteBudget
    sources: tuple[dict[str, Any], ...]
    laws: tuple[dict[str, Any], ...]
    stretches: tuple[dict[str, Any], ...]

    def stretches_of(self, row: int, col: int) -> tuple[dict[str, Any], ...]:
        """Give the fitted stretches of one curve."""
        return tuple(s for s in self.stretches if (s["row"], s["col"]) == (row, col))


def map_said(library: Library, site: SiteFacts) -> MapSaid:
    """Read what the run says of one map.

    Parameters
    ----------
    library, site
        The open discs and the site.
    """
    key = ("map said", site.disc, site.run, site.stored.site)
    return library.kept(key, lambda: _read(library, site))


def _read(library: Library, site: SiteFacts) -> MapSaid:
    parts = {}
    for name in ("budgets", "laws", "stretches"):
        table: pd.DataFrame = library.table(site.disc, name)
        rows = table[table["site"] == site.stored.site] if len(table) else table
        parts[name] = tuple(
            {str(key): value for key, value in row.items()} for row in rows.to_dict("records")
        )
    laws = tuple(sorted(parts["laws"], key=lambda row: int(row["place"])))
    return MapSaid(_budget(library, site), parts["budgets"], laws, parts["stretches"])


def _budget(library: Library, site: SiteFacts) -> SiteBudget:
    leverage, used = site.number("sensitivity_leverage"), site.number("curves_used")
    why = why_not_quotable(int(used > 0), leverage - 1.0, run_settings(library, site))
    return SiteBudget(
        random=site.number("modulus_random_rel"),
        shared=site.number("modulus_syst_rel"),
        total=site.number("modulus_total_rel"),
        quotable=not why,
        why_not=why,
    )
