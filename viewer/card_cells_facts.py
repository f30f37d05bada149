"""The cells round one site as the site card shows them, read once and kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.cells.patterns import NO_PATTERN, PATTERNS
from viewer.card_facts import SiteFacts, read_only
from viewer.library import Library

Floats = NDArray[np.float64]

SMALLEST_WINDOW_UM = 100.0
LARGEST_WINDOW_UM = 300.0
AROUND = 1.5
"""The picture's side over the window's."""


@dataclass(frozen=True)
class CellsFacts:
    """The cells round a site; positions in um from the site's centre, y upwards.

    Attributes
    ----------
    window_um
        Side of the window that was graded; the largest one where none could be.
    side_um
        Side of the picture.
    x_um, y_um, radius_um
        Cells in the picture, (cells,).
    pattern
        Index of each cell's pattern, `NO_PATTERN` where there is none.
    group
        Each cell's group.
    inside
        Whether a cell lies in the window.
    links
        Pairs of cells that are linked, indices into these arrays, (links, 2).
    outline_x_um, outline_y_um
        Corners of the site's own footprint, (4,).
    groups
        Group to its row of the table ``cell_groups``, for the groups of these cells.
    grey
        Mosaic behind the cells as 0 to 255, bottom row first; None where there is none.
    grey_box_um
        Its left, bottom, width and height.
    """

    window_um: float
    side_um: float
    x_um: Floats
    y_um: Floats
    radius_um: Floats
    pattern: NDArray[np.int64]
    group: NDArray[np.int64]
    inside: NDArray[np.bool_]
    links: NDArray[np.int64]
    outline_x_um: Floats
    outline_y_um: Floats
    groups: dict[int, dict[str, Any]]
    grey: NDArray[np.uint8] | None
    grey_box_um: tuple[float, float, float, float]

    def nearest(self, x_um: float, y_um: float, within_um: float) -> int:
        """Give the cell nearest to a place of the picture; -1 where none is near enough."""
        if not len(self.x_um):
            return -1
        away = np.hypot(self.x_um - x_um, self.y_um - y_um)
        best = int(np.argmin(away))
        return best if away[best] <= within_um else -1


def cells_facts(library: Library, facts: SiteFacts) -> CellsFacts | None:
    """Read the cells round a site; None where no run has looked for cells."""
    if not facts.run or "cells" not in facts.faces:
        return None
    key = ("cells", facts.disc, facts.run, facts.stored.site)
    return library.kept(key, lambda: _read(library, facts))


def _read(library: Library, facts: SiteFacts) -> CellsFacts:
    window = facts.number("pattern_window_um")
    window = window if np.isfinite(window) else LARGEST_WINDOW_UM
    side = AROUND * window
    centre = facts.stored.footprint.centre_um
    table = library.table(facts.disc, "cells")
    all_x = table["x_um"].to_numpy(float) - centre[0]
    all_y = centre[1] - table["y_um"].to_numpy(float)
    near = np.flatnonzero((np.abs(all_x) <= side / 2) & (np.abs(all_y) <= side / 2))
    x, y = all_x[near], all_y[near]
    rows = table.iloc[near]
    names = [str(name) for name in rows["pattern"]]
    group = rows["cell_group"].to_numpy(np.int64)
    corners = facts.stored.footprint.corners() - centre
    grey, box = _behind(library, facts, side)
    return CellsFacts(
        window_um=window,
        side_um=side,
        x_um=read_only(x),
        y_um=read_only(y),
        radius_um=read_only(0.5 * rows["diameter_um"].to_numpy(float)),
        pattern=read_only([_index_of(name) for name in names], np.int64),
        group=read_only(group, np.int64),
        inside=read_only((np.abs(x) <= window / 2) & (np.abs(y) <= window / 2), bool),
        links=_links(library.cells_detail(facts.disc).get("edges"), near, len(table)),
        outline_x_um=read_only(corners[:, 0]),
        outline_y_um=read_only(-corners[:, 1]),
        groups=_groups(library, facts.disc, group),
        grey=grey,
        grey_box_um=box,
    )


def _index_of(name: str) -> int:
    return PATTERNS.index(name) if name in PATTERNS else NO_PATTERN


def _links(edges: Any, near: NDArray[np.int64], cells: int) -> NDArray[np.int64]:
    """Edges between cells that are all in the picture, in the picture's own numbers."""
    if edges is None or not len(edges):
        return np.zeros((0, 2), np.int64)
    place = np.full(cells, -1, np.int64)
    place[near] = np.arange(len(near))
    renamed = place[np.asarray(edges, np.int64)]
    return read_only(renamed[(renamed >= 0).all(axis=1)], np.int64)


def _groups(library: Library, disc: str, group: NDArray[np.int64]) -> dict[int, dict[str, Any]]:
    table = library.table(disc, "cell_groups")
    wanted = table[table["cell_group"].isin(np.unique(group))]
    records = wanted.to_dict("records")
    return {int(r["cell_group"]): {str(k): v for k, v in r.items()} for r in records}


def _behind(
    library: Library, facts: SiteFacts, side_um: float
) -> tuple[NDArray[np.uint8] | None, tuple[float, float, float, float]]:
    """Nuclei channel of the mosaic under the picture, stretched from its median to its peaks."""
    store = library.store(facts.disc)
    pyramid, channels = store.mosaic, list(store.info["channels"])
    if pyramid is None or "nuclei" not in channels:
        return None, (0.0, 0.0, 0.0, 0.0)
    level = pyramid.level_for(side_um / 400)
    image, (step_y, step_x) = pyramid.levels[level], pyramid.pixel_um[level]
    origin_y, origin_x = pyramid.origin_um[level]
    cx, cy = facts.stored.footprint.centre_um
    rows, cols = image.shape[-2:]
    first_col, stop_col = _span(cx - side_um / 2, cx + side_um / 2, origin_x, step_x, cols)
    first_row, stop_row = _span(cy - side_um / 2, cy + side_um / 2, origin_y, step_y, rows)
    if stop_col <= first_col or stop_row <= first_row:
        return None, (0.0, 0.0, 0.0, 0.0)
    part = image[channels.index("nuclei"), first_row:stop_row, first_col:stop_col]
    part = part.astype(np.float32)
    low, high = np.percentile(part, [50, 99.8])
    grey = np.clip(255 * (part - low) / max(high - low, 1e-9), 0, 255)
    left = origin_x + (first_col - 0.5) * step_x - cx
    bottom = cy - (origin_y + (stop_row - 0.5) * step_y)
    box = (left, bottom, (stop_col - first_col) * step_x, (stop_row - first_row) * step_y)
    return read_only(grey[::-1], np.uint8), box


def _span(low: float, high: float, origin: float, step: float, count: int) -> tuple[int, int]:
    first, stop = int(np.floor((low - origin) / step)), int(np.ceil((high - origin) / step)) + 1
    return max(0, first), min(count, stop)
