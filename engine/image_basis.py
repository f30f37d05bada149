"""What the numbers of height images rest on, as columns of the site table, and whether it differs.

Numbers of images with another window, pixel, levelling or filter do not compare; these columns are
how a table, and whatever is made of it, notices.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from engine.collagen import Basis, unlike
from engine.collagen.levelling import OPTIONS

SIZES = ("image_width_um", "image_height_um", "image_pixel_u_nm", "image_pixel_v_nm")
"""Size of the image and its pixel; NaN for sites without one."""
FILTERS = "filters"
"""Levelling steps and areal filters in order, ``;``-separated; empty for sites without an image."""

MAP_SIZES = ("map_ground_width_um", "map_ground_height_um", "map_ground_pixel_nm")
MAP_FILTERS = "map_ground_filters"
"""Alike of the common ground on which surfaces at zero force and under load are measured."""
MAP_WORDS = ("_zero_force", "_at_load", "_image_alike")
"""Columns with one of these in their name rest on that ground."""

_ALL = ("window", "pixel", "levelling", "filters")
_WINDOW_ONLY = ("window",)
_RESTS_ON: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Sq_plane", ("window", "pixel")),
    *((name, _ALL) for name in ("Sa_", "Sq_", "Sz_", "Sp_", "Sv_", "Sk_", "Spk_", "Svk_")),
    *((name, _ALL) for name in ("Ssk", "Sku", "Sdq", "Sdr", "Sal_", "Str", "Smr")),
    ("fibril_length", ("window", "pixel")),
    ("orientation_correlation", _WINDOW_ONLY),
    ("fibril_", ("pixel",)),
    ("band_fraction", ("pixel",)),
)


def basis_columns(basis: Basis) -> dict[str, float | str]:
    """Columns of one image.

    Parameters
    ----------
    basis
        What its numbers rest on.

    Returns
    -------
    dict
        ``SIZES`` and ``FILTERS``. Row jitter, which is taken out only where there is some, is not
        named: it makes images alike.
    """
    values = (
        basis.window_u_nm / 1e3,
        basis.window_v_nm / 1e3,
        basis.pixel_u_nm,
        basis.pixel_v_nm,
    )
    named: dict[str, float | str] = dict(zip(SIZES, values, strict=True))
    return named | {FILTERS: ";".join((*basis.levelling, *basis.filters))}


def map_basis_columns(basis: Basis | None) -> dict[str, float | str]:
    """Columns of the ground that a site's curves and image were brought to; empty for None."""
    if basis is None:
        return dict.fromkeys(MAP_SIZES, float("nan")) | {MAP_FILTERS: ""}
    named = basis_columns(basis)
    sizes = dict(zip(MAP_SIZES, (named[name] for name in SIZES[:3]), strict=True))
    return sizes | {MAP_FILTERS: named[FILTERS]}


def bases_of(columns: Mapping[str, Any] | pd.DataFrame, maps: bool = False) -> list[Basis | None]:
    """Read the columns back, one entry a row.

    Parameters
    ----------
    columns
        A site table, or its columns by name.
    maps
        Read those of the maps' common ground instead of those of the images.

    Returns
    -------
    list of Basis or None
        None for a site without an image, and for all rows of a table without these columns.
    """
    # the pixels of the maps' common ground are square
    names, filters = ((*MAP_SIZES, MAP_SIZES[2]), MAP_FILTERS) if maps else (SIZES, FILTERS)
    if filters not in columns:
        return [None] * len(columns["site"])
    sizes = np.column_stack([np.asarray(columns[name], dtype=np.float64) for name in names])
    rows = zip(sizes, columns[filters], strict=True)
    return [_basis(size, text) if np.isfinite(size).all() else None for size, text in rows]


def _basis(size: npt.NDArray[np.float64], text: str) -> Basis:
    named = tuple(part for part in str(text).split(";") if part)
    return Basis(
        1e3 * float(size[0]),
        1e3 * float(size[1]),
        float(size[2]),
        float(size[3]),
        tuple(part for part in named if part in OPTIONS),
        tuple(part for part in named if part not in OPTIONS),
    )


def rests_on(quantity: str) -> tuple[str, ...]:
    """Tell which parts of the basis a column of the site table depends on; none for others."""
    return next((parts for start, parts in _RESTS_ON if quantity.startswith(start)), ())


def unlike_images(columns: Mapping[str, Any] | pd.DataFrame, quantity: str) -> tuple[str, ...]:
    """Say why a quantity of some sites must not be compared as it stands.

    Parameters
    ----------
    columns
        Rows of the site table that are taken together.
    quantity
        The column that is compared.

    Returns
    -------
    tuple of str
        One sentence for each part on which the quantity depends and in which the images differ.
    """
    maps = any(word in quantity for word in MAP_WORDS)
    bases = [basis for basis in bases_of(columns, maps) if basis is not None]
    return unlike(bases, rests_on(quantity))
