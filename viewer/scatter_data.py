"""Pairs of site quantities for the linked plot: of one site, or of neighbours joined by position.

Nothing of Panel; lines and joins are those of `engine.across`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.across import SlopeFit, nearest_join, points_in_polygon, slope_with_band
from viewer.regions_data import ALL_KINDS, KIND_WORDS, numbers_of
from viewer.regions_look import OUTSIDE
from viewer.state import Region

HOLD_SHARE = 0.5
"""Sites are paired with themselves where this share of the rarer side holds both values."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SitePairs:
    """Points of the plot.

    Attributes
    ----------
    x, y
        Values, shape (n,), finite.
    site, disc
        The site each point stands for, and its disc, shape (n,).
    partner
        The site that gave the other value; the same as ``site`` where one site gave both.
    distance_um
        Distance between the two, shape (n,), 0 where one site gave both.
    row
        Row of ``site`` in the sites table, shape (n,).
    joined
        Whether values of different sites were brought together.
    max_distance_um
        Farthest that was allowed.
    base
        ``x`` or ``y``: whose sites looked for a partner (``x`` where nothing was joined).
    unpaired
        Sites that found no partner near enough.
    shared_partners
        Partners that serve more than one point.
    """

    x: FloatArray
    y: FloatArray
    site: tuple[str, ...]
    disc: tuple[str, ...]
    partner: tuple[str, ...]
    distance_um: FloatArray
    row: NDArray[np.int64]
    joined: bool
    max_distance_um: float
    base: str
    unpaired: int
    shared_partners: int


@dataclass(frozen=True)
class Pairing:
    """Which sites give the two values.

    Attributes
    ----------
    x_kind, y_kind
        Kind of the sites along either axis, `ALL_KINDS` for every kind. Two values come from one
        site where they are the same, else from neighbours.
    """

    x_kind: str
    y_kind: str

    @property
    def joined(self) -> bool:
        """Whether values of different sites are brought together."""
        return self.x_kind != self.y_kind


def pairings(table: pd.DataFrame, x_name: str, y_name: str) -> dict[str, Pairing]:
    """Ways to pair two quantities, in words, the one to begin with first.

    Begun with is the site that holds both, where at least `HOLD_SHARE` of the sites of the rarer
    quantity do; else each of them is joined to its nearest neighbour of the other quantity's kind.
    """
    x, y = (np.isfinite(numbers_of(table, name)) for name in (x_name, y_name))
    kind = table["kind"].to_numpy(dtype=str)
    of_x, of_y = _kinds(kind[x]), _kinds(kind[y])
    both = _kinds(kind[x & y])
    ways = {_same_words(k, n): Pairing(k, k) for k, n in both.items()}
    if len(both) > 1:
        ways[_same_words(ALL_KINDS, sum(both.values()))] = Pairing(ALL_KINDS, ALL_KINDS)
    for kx in of_x:
        for ky in of_y:
            if kx != ky:
                ways[f"{_kind_words(kx)} (x) beside {_kind_words(ky)} (y)"] = Pairing(kx, ky)
    first = _first_pairing(of_x, of_y, both)
    return dict(sorted(ways.items(), key=lambda item: item[1] != first))


def _kinds(kind: NDArray[np.str_]) -> dict[str, int]:
    names, counts = np.unique(kind, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    return {str(names[i]): int(counts[i]) for i in order}


def _kind_words(kind: str) -> str:
    return "all sites" if kind == ALL_KINDS else KIND_WORDS.get(kind, kind)


def _same_words(kind: str, count: int) -> str:
    return f"same site: {_kind_words(kind)} ({count})"


def _first_pairing(
    of_x: Mapping[str, int], of_y: Mapping[str, int], both: Mapping[str, int]
) -> Pairing | None:
    if not of_x or not of_y:
        return None
    kx, ky = next(iter(of_x)), next(iter(of_y))
    rarer, count = (kx, of_x[kx]) if of_x[kx] < of_y[ky] else (ky, of_y[ky])
    if both.get(rarer, 0) >= HOLD_SHARE * count or kx == ky:
        return Pairing(rarer, rarer)
    return Pairing(kx, ky)


def pair_sites(
    table: pd.DataFrame,
    x_name: str,
    y_name: str,
    pairing: Pairing,
    max_distance_um: float = 100.0,
) -> SitePairs:
    """Pair two quantities.

    Parameters
    ----------
    table
        Sites of one disc or several.
    x_name, y_name
        Columns.
    pairing
        Which sites give the values, one of `pairings`.
    max_distance_um
        Farthest that two sites of one disc may lie apart to be joined.

    Returns
    -------
    SitePairs
        Where values are joined, each site of the rarer side with the nearest site of its disc that
        holds the other value.

    Raises
    ------
    ValueError
        If the distance is not positive.
    """
    x, y = numbers_of(table, x_name), numbers_of(table, y_name)
    has_x = np.isfinite(x) & _is_kind(table, pairing.x_kind)
    has_y = np.isfinite(y) & _is_kind(table, pairing.y_kind)
    if not pairing.joined:
        rows = np.flatnonzero(has_x & has_y)
        return _made(table, x[rows], y[rows], rows, rows, np.zeros(rows.size), max_distance_um)
    base_x = bool(has_x.sum() < has_y.sum())
    base, other = (has_x, has_y) if base_x else (has_y, has_x)
    rows, partners, distance, unpaired = _nearest(table, base, other, max_distance_um)
    of_x, of_y = (rows, partners) if base_x else (partners, rows)
    return _made(
        table, x[of_x], y[of_y], rows, partners, distance, max_distance_um,
        joined="x" if base_x else "y", unpaired=unpaired,
    )  # fmt: skip


def _is_kind(table: pd.DataFrame, kind: str) -> NDArray[np.bool_]:
    if kind == ALL_KINDS:
        return np.ones(len(table), dtype=bool)
    return (table["kind"] == kind).to_numpy(dtype=bool)


def _nearest(
    table: pd.DataFrame, base: NDArray[np.bool_], other: NDArray[np.bool_], most_um: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, int]:
    """Rows that found a partner on their disc, the partners, distances, and how many found none."""
    places = np.column_stack([numbers_of(table, "x_um"), numbers_of(table, "y_um")])
    placed = np.isfinite(places).all(axis=1)
    disc = table["disc"].to_numpy(dtype=str)
    rows = [np.empty(0, dtype=np.int64)]
    partners = [np.empty(0, dtype=np.int64)]
    distances = [np.empty(0)]
    for name in np.unique(disc):
        seeking = np.flatnonzero(base & placed & (disc == name))
        offering = np.flatnonzero(other & placed & (disc == name))
        near = nearest_join(places[seeking], places[offering], most_um)
        hit = near.index >= 0
        rows.append(seeking[hit])
        partners.append(offering[near.index[hit]])
        distances.append(near.distance_um[hit])
    found = np.concatenate(rows)
    unpaired = int((base & placed).sum()) - found.size
    return found, np.concatenate(partners), np.concatenate(distances), unpaired


def _made(
    table: pd.DataFrame,
    x: FloatArray,
    y: FloatArray,
    rows: NDArray[np.int64],
    partners: NDArray[np.int64],
    distance_um: FloatArray,
    max_distance_um: float,
    joined: str = "",
    unpaired: int = 0,
) -> SitePairs:
    counts = np.unique(partners, return_counts=True)[1] if partners.size else np.empty(0)
    return SitePairs(
        x=x,
        y=y,
        site=tuple(table["site"].iloc[rows]),
        disc=tuple(table["disc"].iloc[rows]),
        partner=tuple(table["site"].iloc[partners]),
        distance_um=distance_um,
        row=rows,
        joined=bool(joined),
        max_distance_um=max_distance_um,
        base=joined or "x",
        unpaired=unpaired,
        shared_partners=int((counts > 1).sum()),
    )


def membership(table: pd.DataFrame, regions: Mapping[str, Region]) -> list[str]:
    """Letter of the first region that holds each site, `OUTSIDE` where none does."""
    letters = np.full(len(table), OUTSIDE, dtype=object)
    places = np.column_stack([numbers_of(table, "x_um"), numbers_of(table, "y_um")])
    for letter in reversed(list(regions)):
        region = regions[letter]
        on_disc = (table["disc"] == region.disc).to_numpy(dtype=bool)
        letters[on_disc & points_in_polygon(places, region.polygon_um)] = letter
    return [str(letter) for letter in letters]


def fit_of(pairs: SitePairs) -> SlopeFit:
    """Least squares line through the points, with its band."""
    return slope_with_band(pairs.x, pairs.y)
