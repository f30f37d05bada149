"""The curves of a map that the card fits and draws at once: all, or a spread of a large map's.

A force-volume image has tens of thousands of curves; every n-th of every n-th row says what all do,
and is fitted while one looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.card_facts import SiteFacts, read_only
from viewer.library import Library

Floats = NDArray[np.float64]

MOST_CURVES = 4096


@dataclass(frozen=True)
class Spread:
    """Some curves of a map, evenly spread.

    Attributes
    ----------
    index
        Their numbers in the map, (n,).
    near
        For every curve of the map, where in ``index`` the one stands that speaks for it.
    z_nm, deflection_nm
        Their approaches, (n, s), or (s,) for a shared drive.
    valid
        Whether they were taken, (n,).
    """

    index: NDArray[np.int64]
    near: NDArray[np.int64]
    z_nm: Floats
    deflection_nm: Floats
    valid: NDArray[np.bool_]

    @property
    def whole(self) -> bool:
        """Whether they are all curves of the map."""
        return len(self.index) == len(self.near)


def words_of_spread(rows: int, cols: int) -> str:
    """Say how many curves of a map of this shape are taken; nothing where it is all of them."""
    step, over = steps_of(rows, cols)
    if step == over == 1:
        return ""
    count = len(range(0, rows, step)) * len(range(0, cols, over))
    numbers = (f"{n:,}".replace(",", "\N{NARROW NO-BREAK SPACE}") for n in (count, rows * cols))
    return f"{' of '.join(numbers)} curves, evenly spread"


def steps_of(rows: int, cols: int) -> tuple[int, int]:
    """Every so many rows, and every so many columns, are taken."""
    step = min(max(1, ceil(sqrt(rows * cols / MOST_CURVES))), rows)
    over = max(1, ceil(ceil(rows / step) * cols / MOST_CURVES))
    return max(1, ceil(rows * ceil(cols / over) / MOST_CURVES)), over


def spread_of(library: Library, site: SiteFacts) -> Spread:
    """Read the curves of a site that the card fits and draws at once; kept for the next time."""
    return library.kept(("spread", site.disc, site.stored.site), lambda: _read(library, site))


def _read(library: Library, site: SiteFacts) -> Spread:
    curves = library.store(site.disc).curves(site.stored.site)
    rows, cols = curves.rows, curves.cols
    step, over = steps_of(rows, cols)
    row, col = np.divmod(np.arange(rows * cols), cols)
    across = len(range(0, cols, over))
    index = (np.arange(0, rows, step)[:, None] * cols + np.arange(0, cols, over)).ravel()
    parts = [_picked(curves, r, cols, over) for r in range(0, rows, step)]
    shared = parts[0][0].ndim == 1
    return Spread(
        index=read_only(index, np.int64),
        near=read_only(row // step * across + col // over, np.int64),
        z_nm=read_only(parts[0][0] if shared else np.concatenate([z for z, _ in parts])),
        deflection_nm=read_only(np.concatenate([d for _, d in parts])),
        valid=read_only(curves.valid[index], bool),
    )


def _picked(curves: Any, row: int, cols: int, over: int) -> tuple[Floats, Floats]:
    """Every so many curves of one row of the map."""
    z, d = curves.approach(slice(row * cols, (row + 1) * cols))
    return (z if z.ndim == 1 else z[::over]), d[::over]
