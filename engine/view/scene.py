"""What there is to draw on one disc: plain arrays, and images that are read as they are needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from engine.footprint import Footprint

if TYPE_CHECKING:
    from engine.view.fields import FieldLayer
    from engine.view.site_maps import SiteMaps

Floats = NDArray[np.float64]


def _none() -> Floats:
    return np.empty(0)


@dataclass(frozen=True)
class MosaicLayer:
    """The fluorescence mosaic.

    Attributes
    ----------
    name
        Unique among all images of the process: decoded tiles are kept under it.
    levels
        Arrays, finest first: (rows, cols), or (channels, rows, cols).
    pixel_um, origin_um
        Pixel size and centre of the first pixel (y, x) of each level.
    channel
        The channel drawn; None where the levels have no channel axis.
    low, high
        Values drawn as background and as brightest.
    """

    name: str
    levels: tuple[Any, ...]
    pixel_um: tuple[tuple[float, float], ...]
    origin_um: tuple[tuple[float, float], ...]
    channel: int | None
    low: float
    high: float


@dataclass(frozen=True)
class HeightLayer:
    """One height image at its place.

    Attributes
    ----------
    name
        Unique among all images of the process.
    site
        Its site.
    footprint
        Where it lies, with rotation and mirror.
    shape
        (rows, cols) of the finest level.
    read
        Gives the levelled heights in nanometres, float32 (rows, cols), NaN where there is no datum.
    like
        Gives the heights whose contrast it is shaded with; None for its own.
    """

    name: str
    site: str
    footprint: Footprint
    shape: tuple[int, int]
    read: Callable[[], NDArray[np.float32]]
    like: Callable[[], NDArray[np.float32]] | None = None


@dataclass(frozen=True)
class BandLayer:
    """Band maxima of one height image.

    Attributes
    ----------
    footprint
        Where the image lies.
    read
        Gives arrays of equal length by name: ``u_nm``, ``v_nm`` from the image's centre,
        ``across_u``, ``across_v`` (unit vector across the fibril), ``width_nm`` (its thickness).
    """

    footprint: Footprint
    read: Callable[[], dict[str, Floats]]


@dataclass(frozen=True)
class CellLayer:
    """The cells.

    Attributes
    ----------
    x_um, y_um, diameter_um
        Place and size (n,).
    pattern
        Index of the pattern (n,), -1 for none.
    links
        Pairs of cells joined in a group (m, 2).
    ambiguous
        Whether the pattern of the cell's group is ambiguous (n,); empty where that is not known.
    """

    x_um: Floats = field(default_factory=_none)
    y_um: Floats = field(default_factory=_none)
    diameter_um: Floats = field(default_factory=_none)
    pattern: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    links: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64))
    ambiguous: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))


@dataclass(frozen=True)
class CurveLayer:
    """The points of all force maps.

    Attributes
    ----------
    x_um, y_um
        Places (n,).
    used
        Whether the curve counts (n,).
    spacing_um
        Distance to the next point of the same map (n,).
    over_height
        Whether the point lies on a height image (n,), which it must not hide.
    site
        Number of the point's site (n,), as in the scene's `sites`.
    index
        Number of the curve in its map (n,), row * cols + col.
    """

    x_um: Floats = field(default_factory=_none)
    y_um: Floats = field(default_factory=_none)
    used: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    spacing_um: Floats = field(default_factory=_none)
    over_height: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    site: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    index: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass(frozen=True)
class TileLayer:
    """The tiles of a stitched mosaic.

    Attributes
    ----------
    corner_um
        Upper left corner (x, y) of each tile at its place, (n, 2).
    size_um
        (width, height) of a tile.
    weak
        Whether a tile is flagged (n,).
    pairs
        Tiles that overlap (m, 2).
    residual_um
        Distance between the measured offset of an overlap and the one kept (m,), NaN for none.
    used
        Whether an overlap agrees with the places (m,).
    limit_um
        Largest residual of an overlap that agrees.
    """

    corner_um: Floats
    size_um: tuple[float, float]
    weak: NDArray[np.bool_]
    pairs: NDArray[np.int64]
    residual_um: Floats
    used: NDArray[np.bool_]
    limit_um: float


@dataclass(frozen=True)
class Scene:
    """One disc, ready to be drawn.

    Attributes
    ----------
    name
        Changes whenever what is drawn changes (disc and run).
    extent_um
        (x0, y0, x1, y1) of everything.
    sites
        Site to footprint, in the order in which the layers number them.
    outline_um
        Corners of the tissue (k, 2), or (0, 2) where it could not be told.
    """

    name: str
    extent_um: tuple[float, float, float, float]
    sites: dict[str, Footprint] = field(default_factory=dict)
    outline_um: Floats = field(default_factory=lambda: np.empty((0, 2)))
    mosaic: MosaicLayer | None = None
    tiles: TileLayer | None = None
    heights: tuple[HeightLayer, ...] = ()
    bands: tuple[BandLayer, ...] = ()
    cells: CellLayer = field(default_factory=CellLayer)
    curves: CurveLayer = field(default_factory=CurveLayer)


@dataclass(frozen=True)
class Stain:
    """One stain as it is drawn.

    Attributes
    ----------
    channel
        Number of the mosaic's channel.
    ink
        A letter of `engine.view.stains.INKS`.
    low, high
        Values drawn as background and as brightest.
    """

    channel: int
    ink: str
    low: float
    high: float


@dataclass(frozen=True)
class Paint:
    """How a scene is drawn.

    Attributes
    ----------
    layers
        Which of mosaic, heights, cells, links, curves are drawn.
    dark
        Light on dark, or ink on paper.
    cell_colours
        (n, 4) RGBA of the cells; None for the colours of their patterns. Alpha 0: hollow.
    curve_colours
        (n, 4) RGBA of the curves' points; None draws all hollow.
    stains
        Channels of the mosaic that are drawn; None for the layer's own in grey.
    site_maps
        Maps of curves that lie over the height images; None for none.
    surfaces
        Heights that stand in the place of the scene's at the same sites.
    field
        The field that lies over the mosaic and under the cells; None for none.
    """

    layers: frozenset[str]
    dark: bool = True
    cell_colours: NDArray[np.uint8] | None = None
    curve_colours: NDArray[np.uint8] | None = None
    stains: tuple[Stain, ...] | None = None
    site_maps: SiteMaps | None = None
    surfaces: tuple[HeightLayer, ...] = ()
    field: FieldLayer | None = None

    def heights(self, scene: Scene) -> tuple[HeightLayer, ...]:
        """Height images that are drawn: the scene's, or what stands in their place."""
        if "heights" not in self.layers:
            return ()
        replaced = self.mapped()  # a map leaves nothing of the image to be seen
        kept = (layer for layer in scene.heights if layer.site not in replaced)
        return (*kept, *self.surfaces)

    def mapped(self) -> frozenset[str]:
        """Sites whose curves are shown as a map or a surface, not as points."""
        if "heights" not in self.layers:
            return frozenset()
        maps = self.site_maps.layers if self.site_maps else ()
        surfaces = [layer.site for layer in self.surfaces]
        return frozenset((*surfaces, *(layer.site for layer in maps)))
