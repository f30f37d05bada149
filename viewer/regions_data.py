"""Numbers of the comparison tray: which sites and cells a region holds, and what they amount to.

Nothing of Panel; the statistics themselves are those of `engine.across`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.across import (
    RegionCells,
    RegionComparison,
    SiteTable,
    compare_regions,
    count_cells,
    points_in_polygon,
)
from engine.cells.patterns import PATTERNS
from engine.image_basis import MAP_SIZES, SIZES, unlike_images
from engine.store.schema import column
from viewer.groups import ambiguous_cells
from viewer.library import Library
from viewer.modulus_basis import is_modulus, tray_words
from viewer.state import Region

CELLS = "cells.pattern"
"""The choice that compares regions by the arrangement of their cells."""

ALL_KINDS = ""
"""The choice that keeps every kind of site."""

KIND_WORDS = {"bead-map": "maps", "nano-image": "images"}
"""Kinds of sites, several of them, as a reader is told them."""

_AXIAL_UNIT = "°"
_GROUPS = (
    (
        "Stiffness",
        ("modulus_", "indentation_", "exponent", "curves_", "usable_", "sensitivity_", "scan_"),
    ),
    (
        "Way back",
        ("adhesion_", "dissipation", "loading_", "lost_", "pull_off", "jkr_", "stretches"),
    ),
    ("Cells round the site", ("pattern_", "cells_in_", "cell_density", "fraction_")),
    ("Fibrils", ("fibril_", "band_", "orientation_")),
    (
        "Surface texture",
        (
            *("Sa_", "Sq_", "Sz_", "Ssk", "Sku", "Sdq", "Sdr_", "Sal_", "Str", "Sp_", "Sv_"),
            *("Std_", "Sk_", "Spk_", "Svk_", "Smr"),
        ),
    ),
    (
        "Height images and maps",
        ("tip_", "masked_", "at_load", "image_", "contact_height", "map_"),
    ),
)
REST = "Further"
"""Heading of what stands under no other."""

BoolArray = NDArray[np.bool_]


def quantity_words(name: str) -> str:
    """Label and unit of a site quantity, for a list or an axis."""
    described = column("sites", name)
    return f"{described.label} [{described.unit}]" if described.unit else described.label


def site_quantities(library: Library) -> dict[str, dict[str, str]]:
    """Site quantities that hold a value on any open disc, as group to words to name.

    Directions are left out: they are axial, so that neither a median nor a shift nor a slope of
    theirs means anything. So are the sizes of images, which are no measurement.
    """
    held = {name for disc in library.discs for name in library.quantities(disc, "sites")}
    ordered = [name for name in library.sites().columns if name in held]
    groups: dict[str, dict[str, str]] = {title: {} for title in (*(t for t, _ in _GROUPS), REST)}
    for name in ordered:
        if column("sites", name).unit != _AXIAL_UNIT and name not in (*SIZES, *MAP_SIZES):
            groups[group_of(name)][quantity_words(name)] = name
    return {title: names for title, names in groups.items() if names}


def group_of(name: str) -> str:
    """Give the heading under which a site quantity stands in a list."""
    return next((title for title, starts in _GROUPS if name.startswith(starts)), REST)


def numbers_of(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """One column as floats, NaN where there is no value or no such column of numbers."""
    # a link may name any column
    if name not in table.columns or not pd.api.types.is_numeric_dtype(table[name]):
        return np.full(len(table), np.nan)
    return table[name].to_numpy(dtype=np.float64, na_value=np.nan)


def kinds_with(library: Library, name: str) -> dict[str, int]:
    """Kinds of sites that hold a quantity, with the number of their sites, most first."""
    table = library.sites()
    known = table["kind"][np.isfinite(numbers_of(table, name))]
    return {str(kind): int(count) for kind, count in known.value_counts().items()}


@dataclass(frozen=True, eq=False)
class Holding:
    """What one region holds, whatever is compared.

    Attributes
    ----------
    letter, name
        Its letter, and what a person called it (may be empty).
    disc
        The disc it was drawn on.
    polygon_um
        Its corners (m, 2) in that disc's frame.
    sites
        Which rows of all sites lie in it, shape (all sites,).
    kinds
        Kind of site to number of sites.
    curves_used, curves_total
        Curves of all its sites.
    donors
        Donors of its sites, sorted.
    cells
        Its cells by pattern.
    ambiguous
        How many of them belong to groups whose pattern is ambiguous; -1 where that is not known.
    """

    letter: str
    name: str
    disc: str
    polygon_um: NDArray[np.float64]
    sites: BoolArray
    kinds: Mapping[str, int]
    curves_used: int
    curves_total: int
    donors: tuple[str, ...]
    cells: RegionCells
    ambiguous: int = -1

    @property
    def title(self) -> str:
        """Letter and name."""
        return f"{self.letter} {self.name}".rstrip()


@dataclass(frozen=True, eq=False)
class TrayNumbers:
    """Everything the tray shows of one choice.

    Attributes
    ----------
    choice
        ``sites.<quantity>``, `CELLS`, or another of the cells.
    kind
        The kind of sites that was kept, or `ALL_KINDS`.
    holdings
        What each region holds, in the order of the letters.
    comparison
        Statistics on sites; None where cells are compared.
    site_names
        For each region the sites behind ``comparison.regions[i].values``, same order.
    mixed
        Kinds of sites that are taken together; fewer than two where nothing is mixed.
    unlike
        Sentences on images taken together that differ in what the quantity rests on.
    moduli
        Sentences on what moduli rest on, and what of them may be compared.
    """

    choice: str
    kind: str
    holdings: tuple[Holding, ...]
    comparison: RegionComparison | None
    site_names: tuple[tuple[str, ...], ...]
    mixed: tuple[str, ...]
    unlike: tuple[str, ...] = ()
    moduli: tuple[str, ...] = ()


class RegionCounter:
    """Counts what regions hold, and keeps the counts of regions that did not change.

    Parameters
    ----------
    library
        The open discs.
    """

    def __init__(self, library: Library) -> None:
        self._library = library
        self._kept: dict[tuple[Region, tuple[str | None, ...]], Holding] = {}

    def holdings(
        self, regions: Mapping[str, Region], names: Mapping[str, str]
    ) -> tuple[Holding, ...]:
        """Count what each region holds.

        Parameters
        ----------
        regions
            Letter to region; one on a disc that is not open (a link may bring it) is left out.
        names
            Letter to what a person called it; letters may be missing.
        """
        runs = tuple(self._library.run(disc) for disc in self._library.discs)
        kept = {}
        found = []
        for letter, region in regions.items():
            if region.disc not in self._library.discs:
                continue
            key = (region, runs)
            known = self._kept.get(key) or self._count(region)
            kept[key] = known
            found.append(
                Holding(**{**vars(known), "letter": letter, "name": names.get(letter, "")})
            )
        self._kept = kept
        return tuple(found)

    def _count(self, region: Region) -> Holding:
        sites = self._library.sites()
        on_disc = (sites["disc"] == region.disc).to_numpy(dtype=bool)
        places = np.column_stack([numbers_of(sites, "x_um"), numbers_of(sites, "y_um")])
        inside = on_disc & points_in_polygon(places, region.polygon_um)
        held = sites[inside]
        xy_um, pattern = cells_of(self._library, region.disc)
        within = points_in_polygon(xy_um, region.polygon_um)
        unsure = ambiguous_cells(self._library, region.disc)
        return Holding(
            letter="",
            name="",
            disc=region.disc,
            polygon_um=region.polygon_um,
            sites=inside,
            kinds={str(k): int(n) for k, n in held["kind"].value_counts().items()},
            curves_used=int(held["curves_used"].fillna(0).sum()),
            curves_total=int(held["curves_total"].fillna(0).sum()),
            donors=tuple(sorted({str(donor) for donor in held["donor"]})),
            cells=count_cells(within, pattern, region.polygon_um),
            ambiguous=int((within & unsure).sum()) if len(unsure) else -1,
        )


def cells_of(library: Library, disc: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Places (n, 2) and pattern indices (n,) of a disc's cells, made once a run."""

    def make() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        cells = library.table(disc, "cells")
        xy_um = np.column_stack([numbers_of(cells, "x_um"), numbers_of(cells, "y_um")])
        index = {name: i for i, name in enumerate(PATTERNS)}
        pattern = np.array([index.get(name, -1) for name in cells["pattern"]], dtype=np.int64)
        xy_um.flags.writeable = pattern.flags.writeable = False  # shared by all sessions
        return xy_um, pattern

    return library.kept((disc, library.run(disc) or "", "cells by place"), make)


def tray_numbers(
    library: Library,
    counter: RegionCounter,
    regions: Mapping[str, Region],
    names: Mapping[str, str],
    choice: str,
    kind: str = ALL_KINDS,
) -> TrayNumbers:
    """Form everything the tray shows.

    Parameters
    ----------
    library
        The open discs.
    counter
        Counts what the regions hold.
    regions, names
        Letter to region, and letter to what a person called it.
    choice
        ``sites.<quantity>`` or `CELLS`.
    kind
        Kind of sites to keep; `ALL_KINDS` keeps all.
    """
    holdings = counter.holdings(regions, names)
    if choice.startswith("cells."):
        return TrayNumbers(choice, kind, holdings, None, (), ())
    name = choice.removeprefix("sites.")
    table = library.sites()
    value = numbers_of(table, name)
    if kind != ALL_KINDS:
        value = np.where((table["kind"] == kind).to_numpy(dtype=bool), value, np.nan)
    comparison = compare_regions(
        [held.letter for held in holdings],
        [held.sites for held in holdings],
        _site_table(table, value),
        quantity=column("sites", name).label,
        unit=column("sites", name).unit,
    )
    known = np.isfinite(value)
    taken = [np.flatnonzero(held.sites & known) for held in holdings]
    every = np.unique(np.concatenate(taken)) if taken else np.empty(0, dtype=np.int64)
    return TrayNumbers(
        choice=choice,
        kind=kind,
        holdings=holdings,
        comparison=comparison,
        site_names=tuple(tuple(table["site"].iloc[rows]) for rows in taken),
        mixed=tuple(sorted(set(table["kind"].iloc[every]))),
        unlike=unlike_images(table.iloc[every], name),
        moduli=tray_words(
            library,
            [held.letter for held in holdings],
            [table.iloc[rows] for rows in taken],
        )
        if is_modulus(name)
        else (),
    )


def _site_table(table: pd.DataFrame, value: NDArray[np.float64]) -> SiteTable:
    return SiteTable(
        site=table["site"].tolist(),
        disc=table["disc"].tolist(),
        donor=table["donor"].tolist(),
        value=value,
        curves_used=table["curves_used"].fillna(0).to_numpy(dtype=np.int64),
        curves_total=table["curves_total"].fillna(0).to_numpy(dtype=np.int64),
    )


def cautions_of(numbers: TrayNumbers) -> tuple[str, ...]:
    """Sentences that hold for the whole tray, besides those of each pair."""
    if numbers.comparison is None:
        return (
            "Cells are described, not tested: neighbouring cells belong together, so that their "
            "number is not a sample size. For a test choose a quantity of the sites.",
        )
    found = [_NEIGHBOURS]
    if len(numbers.mixed) > 1:
        words = " and ".join(KIND_WORDS.get(kind, kind) for kind in numbers.mixed)
        found.append(f"Sites of different kinds ({words}) are taken together: choose one kind.")
    return (*numbers.comparison.cautions, *numbers.unlike, *found)


_NEIGHBOURS = (
    "Sites of one disc are neighbours and resemble each other: the intervals are rather too narrow."
)


def shares_of(holdings: Sequence[Holding]) -> NDArray[np.float64]:
    """Shares of the five patterns, shape (regions, 5), 0 to 1; NaN where a region has no cell."""
    return np.array([held.cells.fractions for held in holdings]).reshape(-1, len(PATTERNS))
