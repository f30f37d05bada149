"""What the nanometre sites show in the plane: their height image, or a map of their curves."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.footprint import Footprint
from engine.force_volume import MAPPED
from engine.mechanics.at_load import LoadLaw, depth_at_load
from engine.store.schema import column
from engine.view import HeightLayer, Scene, SiteMapLayer, SiteMaps
from engine.view.picture import READABLE_PX
from engine.view.ramps import ColourScale, scale_for
from engine.view.site_maps import cell_at
from viewer.library import Library
from viewer.look import LOADED
from viewer.numbers import number

HEIGHT, SHADED = LOADED
"""The surface at a load, in colours and as light and shade."""
CHOICES: dict[str, str] = {
    "": "height image, as taken",
    SHADED: "surface at a load, shaded",
    HEIGHT: "surface at a load, height",
    "modulus": "modulus",
    "adhesion": "adhesion",
}
"""What can be shown, with its words."""
_COLUMNS = {HEIGHT: "contact_height_nm", "modulus": "modulus_kPa", "adhesion": "adhesion_nN"}
_BEYOND = 0.1
"""Where a run does not say how far a law is followed beyond a curve's own end."""
KIND = "nano-image"


class SurfaceMaps:
    """Maps of the curves of one site, as a run keeps them.

    Parameters
    ----------
    kept
        The run's detail ``maps/<site>``.
    beyond_share
        How far a law is followed beyond a curve's own largest force.
    """

    def __init__(self, kept: dict[str, Any], beyond_share: float = _BEYOND) -> None:
        self.kept = kept
        self._beyond = beyond_share
        self._names = [str(name) for name in kept["maps"]]
        self._values = kept["values"]
        self._law = LoadLaw(kept["law.depth_nm"], kept["law.force_nN_per_kPa"])

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, cols)."""
        rows, cols = self._values.shape[1:]
        return int(rows), int(cols)

    @property
    def trigger_nN(self) -> float:
        """Load up to which the surface can be shown; NaN without a used curve."""
        return float(self.kept["trigger_nN"])

    def map(self, name: str) -> NDArray[np.float64]:
        """One of `engine.force_volume.MAPPED`, (rows, cols), NaN where no curve counts."""
        return np.asarray(self._values[self._names.index(name)], dtype=np.float64)

    def depth(self, load_nN: float) -> NDArray[np.float64]:
        """Depth of the law at a load, nm, (rows, cols)."""
        return depth_at_load(
            load_nN, self.map("modulus_kPa"), self.map("force_nN"), self._law, self._beyond
        )

    def height(self, load_nN: float) -> NDArray[np.float64]:
        """Height of the surface at a load, nm, (rows, cols), from its mean at zero force."""
        return self.map("contact_height_nm") - self.depth(load_nN)

    def shown(self, choice: str, load_nN: float) -> NDArray[np.float64]:
        """Return what a choice shows, (rows, cols)."""
        if choice in (HEIGHT, SHADED):
            return self.height(load_nN)
        return self.map(_COLUMNS[choice])


def site_maps(library: Library, disc: str, site: str) -> SurfaceMaps | None:
    """Return the maps of a site's curves; None where the shown run keeps none."""
    run = library.run(disc)
    if run is None:
        return None

    def read() -> SurfaceMaps | None:
        store = library.store(disc)
        kept = store.detail(f"maps/{site}", run=run)
        if not kept or not set(MAPPED) <= set(kept["maps"]):
            return None
        said = store.run_info(run).get("settings", {}).get("maps", {})
        return SurfaceMaps(kept, float(said.get("beyond_share", _BEYOND)))

    found: SurfaceMaps | None = library.kept(("maps", disc, run, site), read)
    return found


def mapped_sites(library: Library, disc: str) -> tuple[str, ...]:
    """Return the nanometre sites of a disc whose curves the shown run keeps as maps."""
    run = library.run(disc)
    if run is None:
        return ()
    stored = library.store(disc).sites
    names = [s.site for s in stored.values() if s.kind == KIND and s.has_curves]
    # a run keeps the maps of all its sites or, an older one, of none
    return tuple(names) if names and site_maps(library, disc, names[0]) is not None else ()


def offered(library: Library, disc: str) -> dict[str, str]:
    """Return the choices of a disc that have a value somewhere, with their words; maybe none."""
    sites = mapped_sites(library, disc)
    if not sites:
        return {}
    table = library.table(disc, "sites")
    medians = table[table["site"].isin(sites)]
    empty = {c for c, name in _COLUMNS.items() if c != HEIGHT and medians[name].isna().all()}
    return {choice: words for choice, words in CHOICES.items() if choice not in empty}


def load_of(text: str) -> float:
    """Read a load in nN as the address has it; 0 where it is none."""
    try:
        load = float(text)
    except ValueError:
        return 0.0
    return load if isfinite(load) and load >= 0 else 0.0


def load_text(load_nN: float) -> str:
    """Write a load for the address; empty for zero force."""
    return f"{load_nN:.4g}" if load_nN > 0 else ""


def largest_load(library: Library, disc: str) -> float:
    """Return the largest load that can be shown on a disc, nN; NaN where there is none."""
    run = library.run(disc) or ""

    def find() -> float:
        curves = library.table(disc, "curves")
        used = curves[curves["used"].fillna(False).astype(bool)]
        triggers = used.groupby("site", observed=True)["force_nN"].median()
        return float(triggers.reindex(mapped_sites(library, disc)).max())

    found: float = library.kept(("largest load", disc, run), find)
    return found


def map_scale(library: Library, choice: str) -> ColourScale | None:
    """Return the colours of a choice over all nanometre sites of the open discs.

    Heights get limits that hold from zero force to the trigger, so that a colour means the same
    height at every load.
    """
    if choice not in _COLUMNS:
        return None
    runs = tuple(library.run(disc) or "" for disc in library.discs)

    def find() -> ColourScale:
        values = [np.empty(0)]
        for disc in library.discs:
            for site in mapped_sites(library, disc):
                maps = site_maps(library, disc, site)
                if maps is not None:
                    values += _range_of(maps, choice)
        return scale_for("curves", _COLUMNS[choice], np.concatenate(values))

    return library.kept(("map scale", choice, *runs), find)


def _range_of(maps: SurfaceMaps, choice: str) -> list[NDArray[np.float64]]:
    if choice != HEIGHT:
        return [maps.map(_COLUMNS[choice]).ravel()]
    loads = [0.0, maps.trigger_nN] if isfinite(maps.trigger_nN) else [0.0]
    return [maps.height(load).ravel() for load in loads]


def maps_to_draw(
    library: Library, scene: Scene, disc: str, choice: str, load_nN: float
) -> tuple[SiteMaps | None, tuple[HeightLayer, ...]]:
    """Return what stands in the place of the height images: maps in colours, or surfaces.

    Parameters
    ----------
    library
        The open discs.
    scene
        Gives footprints.
    disc
        The disc.
    choice
        A key of `CHOICES`; any other is the height image.
    load_nN
        Load of the surface.
    """
    if choice not in CHOICES or not choice:
        return None, ()
    sites = [(site, scene.sites[site]) for site in mapped_sites(library, disc)]
    load = load_nN if choice in (HEIGHT, SHADED) else 0.0
    if choice == SHADED:
        return None, tuple(_surface(library, scene, disc, site, load) for site, _ in sites)
    scale = map_scale(library, choice)
    if scale is None or not sites:
        return None, ()
    layers = tuple(_layer(library, scene, disc, site, choice, load) for site, _ in sites)
    return SiteMaps(layers, scale), ()


def map_words(choice: str, load_nN: float) -> tuple[str, str]:
    """Say what a choice shows, for a legend, and of what; empty for the height images."""
    if choice not in CHOICES or not choice:
        return "", ""
    if choice not in (HEIGHT, SHADED):
        return CHOICES[choice], "of curves"
    at = f"at {number(load_nN)} nN" if load_nN > 0 else "at zero force"
    return "surface height", at


def readable(scene: Scene, um_per_px: float, site: str) -> bool:
    """Tell whether a site is large enough on the screen for its map to be meant by a click."""
    foot = scene.sites[site]
    return bool(max(foot.width_um, foot.height_um) / um_per_px >= READABLE_PX)


def map_unit(choice: str) -> str:
    """Return the unit of what a choice shows."""
    return column("curves", _COLUMNS.get(choice, _COLUMNS[HEIGHT])).unit


def curve_under(
    library: Library, scene: Scene, disc: str, choice: str, site: str, x_um: float, y_um: float
) -> int | None:
    """Tell which curve's cell of a shown map a place lies in; None where no map is shown.

    Parameters
    ----------
    library, scene, disc
        What is looked at.
    choice
        What the nanometre sites show.
    site
        The site that the place lies on.
    x_um, y_um
        The place, disc frame.

    Returns
    -------
    int or None
        Number of the curve in its map, row * cols + col.
    """
    if not choice or choice not in CHOICES or site not in mapped_sites(library, disc):
        return None
    shape = _shape(library, disc, site)
    cell = cell_at(scene.sites[site], shape, x_um, y_um)
    return None if cell is None else cell[0] * shape[1] + cell[1]


def _shape(library: Library, disc: str, site: str) -> tuple[int, int]:
    stored = library.store(disc).sites[site]
    return stored.rows, stored.cols


def _reader(
    library: Library, disc: str, site: str, choice: str, load: float
) -> Callable[[], NDArray[np.float64]]:
    def read() -> NDArray[np.float64]:
        maps = site_maps(library, disc, site)
        return (
            np.full(_shape(library, disc, site), np.nan)
            if maps is None
            else maps.shown(choice, load)
        )

    return read


def _layer(
    library: Library, scene: Scene, disc: str, site: str, choice: str, load: float
) -> SiteMapLayer:
    return SiteMapLayer(
        f"{scene.name}|{site}|{choice}|{load:.4g}",
        site,
        scene.sites[site],
        _shape(library, disc, site),
        _reader(library, disc, site, choice, load),
    )


def _surface(library: Library, scene: Scene, disc: str, site: str, load: float) -> HeightLayer:
    rows, cols = _shape(library, disc, site)

    def read(at: float) -> NDArray[np.float32]:
        return np.asarray(_reader(library, disc, site, HEIGHT, at)(), dtype=np.float32)

    return HeightLayer(
        f"{scene.name}|{site}|surface|{load:.4g}",
        site,
        _over_points(scene.sites[site], rows, cols),
        (rows, cols),
        partial(read, load),
        partial(read, 0.0),
    )


def _over_points(foot: Footprint, rows: int, cols: int) -> Footprint:
    """Widen a footprint by half a step each way: pixels tile a size, points span it."""
    wide, high = (n / (n - 1) if n > 1 else 1.0 for n in (cols, rows))
    return Footprint(
        foot.centre_um, foot.u_axis, foot.v_axis, foot.width_um * wide, foot.height_um * high
    )
