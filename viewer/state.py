"""What is looked at and what is selected: parameters only, no widgets.

One `ViewState` belongs to one browser session. Everything a person sees is derived from it, and the
address bar holds all of it (`viewer.address`), so that a copied link opens the same picture.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
import param
from numpy.typing import NDArray

LAYERS = ("mosaic", "heights", "bands", "cells", "links", "sites", "curves", "outline", "tiles")
"""Layers of the plane, bottom to top."""

FIRST_LAYERS = tuple(layer for layer in LAYERS if layer not in ("bands", "tiles"))
"""Layers that are shown until somebody chooses."""

REGION_LETTERS = ("A", "B", "C", "D")
"""Names of the regions a person can brush."""

CARD_TABS = ("curves", "network", "cells")
"""Faces of the site card."""

CHOICE_KEYS = {"stains": "st", "field": "fd", "site_map": "mp", "load": "ld"}
"""Parameters that choose what a layer shows, with their keys in addresses."""

CHOICE = re.compile(r"[A-Za-z0-9._~,:;+-]{0,400}")
"""What such a choice may be written with."""

MIN_UM_PER_PX = 2e-5
MAX_UM_PER_PX = 100.0


@dataclass(frozen=True)
class Flight:
    """A wish to look somewhere else; the plane carries it out.

    Attributes
    ----------
    x_um, y_um
        The new centre, disc frame.
    um_per_px
        The new scale, micrometres to one screen pixel.
    serial
        Grows with every wish, so that the same wish twice is two flights.
    """

    x_um: float
    y_um: float
    um_per_px: float
    serial: int


@dataclass(frozen=True, eq=False)
class Region:
    """A brushed region.

    Attributes
    ----------
    disc
        The disc it was drawn on.
    polygon_um
        Its corners (m, 2) in that disc's frame, not closed, read only.
    """

    disc: str
    polygon_um: NDArray[np.float64]

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Region):
            return NotImplemented
        return self.disc == other.disc and np.array_equal(self.polygon_um, other.polygon_um)

    def __hash__(self) -> int:
        return hash((self.disc, self.polygon_um.tobytes()))


def make_region(disc: str, polygon_um: NDArray[np.float64] | Sequence[Sequence[float]]) -> Region:
    """Make a region from the corners of a polygon.

    Parameters
    ----------
    disc
        The disc it lies on.
    polygon_um
        Corners (m, 2), at least three, finite.

    Raises
    ------
    ValueError
        If the polygon has other than (m >= 3, 2) finite coordinates.
    """
    corners = np.array(polygon_um, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3:
        raise ValueError(f"polygon_um must be (m >= 3, 2), got shape {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("polygon_um must be finite, got NaN or infinity")
    corners.flags.writeable = False
    return Region(disc, corners)


class ViewState(param.Parameterized):
    """What one person looks at.

    `centre_x_um`, `centre_y_um`, `um_per_px`, `width_px` and `height_px` follow the browser (at
    rest, not at every frame). To move the view from Python, call `fly_to`. Dictionaries and lists
    are replaced, never changed in place, so that every change is seen by those who watch.
    """

    discs: list[str] = param.List([], item_type=str, doc="Discs that are open, in order.")
    disc: str = param.String("", doc="The disc that is looked at.")
    centre_x_um: float = param.Number(0.0, doc="Centre of the view, disc frame.")
    centre_y_um: float = param.Number(0.0, doc="Centre of the view, disc frame (y downwards).")
    um_per_px: float = param.Number(
        1.0, bounds=(MIN_UM_PER_PX, MAX_UM_PER_PX), doc="Micrometres to one screen pixel."
    )
    width_px: int = param.Integer(960, bounds=(1, None), doc="Width of the plane on the screen.")
    height_px: int = param.Integer(640, bounds=(1, None), doc="Height of the plane on the screen.")
    flight: Flight | None = param.ClassSelector(class_=Flight, default=None, doc="Latest wish.")
    colour_by: str = param.String("sites.modulus_kPa", doc="table.quantity that gives the colours.")
    site: str = param.String("", doc="The selected site; empty for none.")
    curve: int | None = param.Integer(
        None,
        allow_None=True,
        bounds=(0, None),
        doc="Selected curve of that site, row * cols + col.",
    )
    group: str = param.String(
        "", doc="The selected group of cells, by its centre ``x_y`` in um; empty for none."
    )
    regions: dict[str, Region] = param.Dict({}, doc="Letter to `Region`.")
    scatter_x: str = param.String("pattern_index", doc="Site quantity along x of the tray's plot.")
    scatter_y: str = param.String("modulus_kPa", doc="Site quantity along y of the tray's plot.")
    card_tab: str = param.String("curves", doc="Face of the site card that is shown.")
    layers: list[str] = param.List(list(FIRST_LAYERS), item_type=str, doc="Layers that are shown.")
    stains: str = param.String("", doc="Channels of the mosaic that are shown, and how.")
    field: str = param.String("", doc="The field over the mosaic; empty for none.")
    site_map: str = param.String("", doc="What nanometre sites show; empty for their heights.")
    load: str = param.String("", doc="Load (nN) at which surfaces are shown; empty for zero force.")
    mode: str = param.String("", doc="What a click on the plane does; empty selects.")
    who: str = param.String("", doc="Who is at the page, as they said; kept with what they change.")
    dark: bool = param.Boolean(True, doc="Dark or light page.")
    card_open: bool = param.Boolean(True, doc="Whether the site card is unfolded.")
    tray_open: bool = param.Boolean(False, doc="Whether the comparison tray is unfolded.")
    present: bool = param.Boolean(False, doc="Large type for a lecture room.")
    clips_open: bool = param.Boolean(False, doc="Whether the clips lie over the plane.")
    legend_open: bool = param.Boolean(True, doc="Whether the plane's legend is unfolded.")

    def fly_to(self, x_um: float, y_um: float, um_per_px: float | None = None) -> None:
        """Wish for another view; the plane moves the browser there.

        Parameters
        ----------
        x_um, y_um
            New centre, disc frame.
        um_per_px
            New scale, clipped to what the plane can show; None keeps the present one.

        Raises
        ------
        ValueError
            If a number is not finite or the scale is not positive.
        """
        scale = self.um_per_px if um_per_px is None else um_per_px
        if not (isfinite(x_um) and isfinite(y_um) and isfinite(scale)) or scale <= 0:
            raise ValueError(
                f"a finite place and a positive scale are required, got {x_um, y_um, scale}"
            )
        scale = min(max(scale, MIN_UM_PER_PX), MAX_UM_PER_PX)
        serial = 1 if self.flight is None else self.flight.serial + 1
        self.flight = Flight(float(x_um), float(y_um), float(scale), serial)

    def fly_to_box(
        self, centre_um: tuple[float, float], size_um: float, margin: float = 1.25
    ) -> None:
        """Wish for a view that holds a square of side `size_um` round a point."""
        pixels = min(self.width_px, self.height_px)
        self.fly_to(centre_um[0], centre_um[1], size_um * margin / pixels)

    def select(self, site: str, curve: int | None = None) -> None:
        """Select a site, and one of its curves; an empty name clears both, in one change."""
        self.param.update(site=site, curve=curve if site else None)

    def add_region(self, polygon_um: NDArray[np.float64] | Sequence[Sequence[float]]) -> str:
        """Add a region on the present disc under the next free letter and unfold the tray.

        Returns
        -------
        str
            The letter. When all are taken the last one is replaced.
        """
        free = [letter for letter in REGION_LETTERS if letter not in self.regions]
        letter = free[0] if free else REGION_LETTERS[-1]
        self.set_region(letter, make_region(self.disc, polygon_um))
        self.tray_open = True
        return letter

    def set_region(self, letter: str, region: Region) -> None:
        """Put a region under a letter, replacing what is there.

        Raises
        ------
        ValueError
            If the letter is not one of `REGION_LETTERS`.
        """
        if letter not in REGION_LETTERS:
            raise ValueError(f"letter must be one of {REGION_LETTERS}, got {letter!r}")
        self.regions = dict(sorted({**self.regions, letter: region}.items()))

    def remove_region(self, letter: str) -> None:
        """Remove a region; nothing happens where there is none."""
        self.regions = {k: v for k, v in self.regions.items() if k != letter}

    def show_layer(self, layer: str, shown: bool) -> None:
        """Show or hide one layer.

        Raises
        ------
        ValueError
            If the layer is not one of `LAYERS`.
        """
        if layer not in LAYERS:
            raise ValueError(f"layer must be one of {LAYERS}, got {layer!r}")
        self.layers = [name for name in LAYERS if (shown if name == layer else name in self.layers)]

    def box_um(self) -> tuple[float, float, float, float]:
        """Return the visible box (x0, y0, x1, y1) in the disc frame."""
        half_x = 0.5 * self.width_px * self.um_per_px
        half_y = 0.5 * self.height_px * self.um_per_px
        x, y = self.centre_x_um, self.centre_y_um
        return x - half_x, y - half_y, x + half_x, y + half_y
