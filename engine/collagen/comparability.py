"""Whether the numbers of two images may be compared, and how to make images alike."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from engine.collagen.areal_filter import FINEST_PX, smooth

Array = NDArray[np.float64]

_ALIKE = 0.02  # relative: Sq goes with a power below one of the window


@dataclass(frozen=True)
class Basis:
    """What the numbers of an image rest on.

    Attributes
    ----------
    window_u_nm, window_v_nm
        Size of the image.
    pixel_u_nm, pixel_v_nm
        Spacing.
    levelling
        Steps done, in order; row jitter, which only some images have, is not among them.
    filters
        Filters applied, with their nesting indices.
    """

    window_u_nm: float
    window_v_nm: float
    pixel_u_nm: float
    pixel_v_nm: float
    levelling: tuple[str, ...] = ("plane",)
    filters: tuple[str, ...] = ()


def _unlike(a: float, b: float) -> bool:
    return abs(a - b) > _ALIKE * max(a, b)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) if names else "none"


def comparable(a: Basis, b: Basis) -> tuple[str, ...]:
    """Say why the texture of two images must not be compared as it stands.

    Parameters
    ----------
    a, b
        What the numbers rest on.

    Returns
    -------
    tuple of str
        One reason each for window, pixel, levelling and filters that differ; empty where the
        images compare. Windows and pixels are alike within 2 %.

    Examples
    --------
    >>> fine = Basis(4000.0, 4000.0, 8.0, 8.0)
    >>> comparable(fine, Basis(8000.0, 8000.0, 8.0, 8.0))
    ('window: 4 × 4 µm against 8 × 8 µm; Sq, Sal and Sz grow with the window',)
    """
    reasons = []
    if _unlike(a.window_u_nm, b.window_u_nm) or _unlike(a.window_v_nm, b.window_v_nm):
        first, second = (
            f"{x.window_u_nm / 1e3:.3g} × {x.window_v_nm / 1e3:.3g} µm" for x in (a, b)
        )
        reasons.append(f"window: {first} against {second}; Sq, Sal and Sz grow with the window")
    if _unlike(a.pixel_u_nm, b.pixel_u_nm) or _unlike(a.pixel_v_nm, b.pixel_v_nm):
        first, second = (f"{x.pixel_u_nm:.3g} × {x.pixel_v_nm:.3g} nm" for x in (a, b))
        reasons.append(f"pixel: {first} against {second}; Sdq and Sdr fall as the pixel grows")
    if a.levelling != b.levelling:
        reasons.append(f"levelling: {_listed(a.levelling)} against {_listed(b.levelling)}")
    if a.filters != b.filters:
        reasons.append(f"filters: {_listed(a.filters)} against {_listed(b.filters)}")
    return tuple(reasons)


_WHY = {
    "window": "Sq, Sal and Sz grow with the window",
    "pixel": "Sdq and Sdr fall, and thin fibrils are lost, as the pixel grows",
    "levelling": "stronger levelling takes undulation out of every height parameter",
    "filters": "filters take waves out of every parameter",
}


def _pair_unlike(part: str, a: Basis, b: Basis) -> bool:
    if part in ("window", "pixel"):
        return any(
            _unlike(getattr(a, name), getattr(b, name)) for name in (f"{part}_u_nm", f"{part}_v_nm")
        )
    return bool(getattr(a, part) != getattr(b, part))


def _described(part: str, basis: Basis) -> str:
    if part == "window":
        return f"{basis.window_u_nm / 1e3:.3g} × {basis.window_v_nm / 1e3:.3g} µm"
    if part == "pixel":
        return f"{basis.pixel_u_nm:.3g} × {basis.pixel_v_nm:.3g} nm"
    return _listed(getattr(basis, part)).replace("_", " ")


def unlike(bases: Sequence[Basis], parts: Sequence[str] = tuple(_WHY)) -> tuple[str, ...]:
    """Say in what the images of a set differ.

    Parameters
    ----------
    bases
        What the numbers of each rest on.
    parts
        What matters: of ``window``, ``pixel``, ``levelling``, ``filters``.

    Returns
    -------
    tuple of str
        One sentence a part, with the number of images of each kind, the most frequent first;
        empty where all are alike.

    Examples
    --------
    >>> fine = Basis(4000.0, 4000.0, 8.0, 8.0)
    >>> unlike([fine, fine, Basis(4000.0, 4000.0, 8.0, 8.0, filters=("S 40 nm",))], ["filters"])
    ('Images differ in filters (none: 2; S 40 nm: 1): filters take waves out of every parameter.',)
    """
    said = []
    for part in parts:
        kinds: list[tuple[Basis, int]] = []
        for basis in bases:
            at = [i for i, (b, _) in enumerate(kinds) if not _pair_unlike(part, b, basis)]
            if at:
                kinds[at[0]] = (kinds[at[0]][0], kinds[at[0]][1] + 1)
            else:
                kinds.append((basis, 1))
        if len(kinds) > 1:
            kinds.sort(key=lambda kind: -kind[1])
            words = "; ".join(f"{_described(part, b)}: {n}" for b, n in kinds)
            said.append(f"Images differ in {part} ({words}): {_WHY[part]}.")
    return tuple(said)


@dataclass(frozen=True)
class CommonGround:
    """Images made alike.

    Attributes
    ----------
    height_nm
        Heights of equal shape, NaN where there is no datum, one array an image.
    pixel_nm
        Their square pixel.
    s_nm
        Nesting index of the Gaussian that took out of all what the coarsest could not show.
    """

    height_nm: tuple[Array, ...]
    pixel_nm: float
    s_nm: float


def to_common_ground(images: Sequence[tuple[Array, tuple[float, float]]]) -> CommonGround:
    """Crop images to the smallest window and resample them to the coarsest pixel.

    All are smoothed alike by an S-filter of five such pixels, so that all show the same waves;
    what the coarsest image could show below that is given up. Level and analyse them after this:
    a plane of the whole image is not the plane of its middle.

    Parameters
    ----------
    images
        Heights, shape (rows, cols), and spacing along u and v, of each.

    Returns
    -------
    CommonGround
        The middle of each image on one grid.

    Raises
    ------
    ValueError
        If there is no image, or the common window is narrower than two pixels.
    """
    if not images:
        raise ValueError("images must hold at least one image")
    pixel = max(max(p) for _, p in images)
    extent_v = min(z.shape[0] * p[1] for z, p in images)
    extent_u = min(z.shape[1] * p[0] for z, p in images)
    rows, cols = int(extent_v / pixel + 1e-6), int(extent_u / pixel + 1e-6)
    if min(rows, cols) < 2:
        raise ValueError(f"the common window holds {rows} x {cols} pixels of {pixel:g} nm")
    s_nm = FINEST_PX * pixel
    return CommonGround(
        tuple(_resample(z, p, (rows, cols), pixel, s_nm) for z, p in images), pixel, s_nm
    )


def _resample(
    height_nm: Array,
    pixel_nm: tuple[float, float],
    shape: tuple[int, int],
    pixel: float,
    s_nm: float,
) -> Array:
    height = np.asarray(height_nm, dtype=np.float64)
    finite = np.isfinite(height)
    if not finite.any():
        return np.full(shape, np.nan)
    even = smooth(height, pixel_nm, s_nm)
    rows, cols = height.shape
    v = (np.arange(shape[0]) - (shape[0] - 1) / 2) * pixel / pixel_nm[1] + (rows - 1) / 2
    u = (np.arange(shape[1]) - (shape[1] - 1) / 2) * pixel / pixel_nm[0] + (cols - 1) / 2
    near = ndimage.distance_transform_edt(~finite, return_distances=False, return_indices=True)
    where = np.meshgrid(v, u, indexing="ij")
    out = ndimage.map_coordinates(even[tuple(near)], where, order=3, mode="nearest")
    known = ndimage.map_coordinates(finite.astype(np.float64), where, order=1, mode="nearest")
    return np.where(known > 0.5, out, np.nan)
