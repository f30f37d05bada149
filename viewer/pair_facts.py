"""Two height images side by side: common limits, numbers beside each other, and common ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.collagen import Basis, comparable, level, texture, to_common_ground
from engine.settings import Settings
from viewer.card_facts import SiteFacts, site_facts
from viewer.card_network_facts import NO_DATUM, NetworkFacts, network_facts, surface_of
from viewer.card_text import plus_minus, value_and_interval, with_unit
from viewer.library import Library

Floats = NDArray[np.float64]
LIMITS_PCT = (0.5, 99.5)
MOST_PX = 1024
"""A picture is not sent with more pixels along a side than this."""


@dataclass(frozen=True)
class PairSide:
    """One of the two images.

    Attributes
    ----------
    site, network
        Its site and what was found in it.
    """

    site: SiteFacts
    network: NetworkFacts

    @property
    def title(self) -> str:
        """Site, disc, and size."""
        size = f"{self.network.width_nm / 1e3:.3g} × {self.network.height_nm / 1e3:.3g} µm"
        return f"{self.site.stored.site} · {self.site.disc} · {size}"

    @property
    def basis(self) -> Basis | None:
        """What its numbers rest on; None for a run that did not keep it."""
        record = self.network.record
        u, v, pixel_u, pixel_v = (self.network.number(f"basis.{n}") for n in _SIZES)
        if not np.isfinite([u, v, pixel_u, pixel_v]).all():
            return None
        levelling, filters = (tuple(record.get(f"basis.{n}", ())) for n in ("levelling", "filters"))
        return Basis(u, v, pixel_u, pixel_v, levelling, filters)

    @property
    def pixel_nm(self) -> tuple[float, float]:
        """Spacing along u and v."""
        rows, cols = self.network.record["levelled_nm"].shape
        foot = self.site.stored.footprint
        return 1e3 * foot.width_um / cols, 1e3 * foot.height_um / rows


_SIZES = ("window_u_nm", "window_v_nm", "pixel_u_nm", "pixel_v_nm")


def images_of(library: Library, disc: str) -> list[str]:
    """Return the sites of a disc whose image was analysed."""
    if library.run(disc) is None:
        return []
    return [name for name, site in library.store(disc).sites.items() if site.has_height]


def read_side(library: Library, disc: str, site: str) -> PairSide | None:
    """Read one image; None where there is none that was analysed."""
    if disc not in library.discs:
        return None
    facts = site_facts(library, disc, site)
    network = network_facts(library, facts) if facts is not None else None
    return None if facts is None or network is None else PairSide(facts, network)


def values_of(side: PairSide, look: str) -> Floats:
    """Return what is drawn of an image, (rows, cols), bottom row first.

    Parameters
    ----------
    side
        The image.
    look
        ``height`` (nm), ``slope`` (degrees), or ``relief`` (grey levels 0 to 1).
    """
    network = side.network
    if look == "relief":
        grey = network.grey.astype(np.float64)
        return np.where(network.grey == NO_DATUM, np.nan, grey / 254.0)
    values = surface_of(network, look)
    step = max(1, -(-max(values.shape) // MOST_PX))
    return values[::step, ::step]


def common_limits(pictures: list[Floats], look: str) -> tuple[float, float]:
    """Choose one pair of limits for all pictures: 0.5 to 99.5 % of all their values together."""
    if look == "relief":
        return 0.0, 1.0
    known = np.concatenate([p[np.isfinite(p)] for p in pictures])
    if not known.size:
        return 0.0, 1.0
    low, high = (float(v) for v in np.percentile(known, LIMITS_PCT))
    return low, high if high > low else low + 1.0


def unlike_words(sides: list[PairSide]) -> tuple[str, ...]:
    """Say why numbers of the two images must not be compared as they stand."""
    first, second = (side.basis for side in sides)
    if first is None or second is None:
        return ("A run of an earlier version did not keep what its numbers rest on.",)
    return comparable(first, second)


_TEXTURE = (
    ("Sq", "Sq_nm", "nm"),
    ("Sa", "Sa_nm", "nm"),
    ("Sz", "Sz_nm", "nm"),
    ("Ssk", "Ssk", ""),
    ("Sku", "Sku", ""),
    ("Sdq", "Sdq", ""),
    ("Sdr", "Sdr_pct", "%"),
    ("Sal", "Sal_nm", "nm"),
)


def numbers_of(side: PairSide) -> list[tuple[str, str]]:
    """Return names and values of an image's numbers, the same rows for every image."""
    network = side.network
    p95, interval = value_and_interval(
        *(network.number(f"thickness.p95_{n}nm") for n in ("", "ci_low_", "ci_high_"))
    )
    rows = [
        ("fibril thickness, median", with_unit(network.number("thickness.median_nm"), "nm")),
        ("fibril thickness, 95th percentile", f"{p95} nm" + (f" ({interval})" if interval else "")),
        ("order", with_unit(network.number("order"), "", 2)),
        ("apparent junctions", with_unit(network.number("junctions_per_um2"), "per µm²")),
        (
            "band period",
            plus_minus(
                network.number("banding.period_nm"), network.number("banding.period_se_nm"), "nm"
            ),
        ),
    ]
    return rows + [(n, with_unit(network.number(f"texture.{k}"), u)) for n, k, u in _TEXTURE]


def on_common_ground(library: Library, sides: list[PairSide]) -> tuple[str, list[dict[str, str]]]:
    """Crop and resample the images as stored to one window and pixel, level, and measure again.

    Returns
    -------
    words
        What was made alike.
    numbers
        Texture of each image by name, as text; empty where the windows have nothing in common.
    """
    raw = [_raw(library, side) for side in sides]
    try:
        ground = to_common_ground([(z, side.pixel_nm) for z, side in zip(raw, sides, strict=True)])
    except ValueError as error:
        return f"There is no common ground: {error}.", []
    settings = Settings().collagen
    numbers = []
    for height in ground.height_nm:
        flat = level(height, settings)
        found = texture(
            flat.height_nm, (ground.pixel_nm, ground.pixel_nm), flat.Sq_plane_nm, settings
        )
        numbers.append({n: with_unit(getattr(found, k), u) for n, k, u in _TEXTURE})
    rows, cols = ground.height_nm[0].shape
    words = (
        f"Both cropped to {cols * ground.pixel_nm / 1e3:.3g} × {rows * ground.pixel_nm / 1e3:.3g} "
        f"µm, resampled to {ground.pixel_nm:.3g} nm, waves below {ground.s_nm:.3g} nm taken out, "
        "and levelled anew."
    )
    return words, numbers


def _raw(library: Library, side: PairSide) -> Any:
    store = library.store(side.site.disc)
    return np.asarray(store.height(side.site.stored.site).levels[0][:], dtype=np.float64)
