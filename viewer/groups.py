"""The selected group of cells: found again by its place, drawn on the plane, told in words."""

from __future__ import annotations

from html import escape
from math import expm1, isfinite
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.cells.axes import group_axes
from engine.cells.patterns import NO_PATTERN, PATTERNS
from engine.view.hit import nearest_cell
from engine.view.load import ambiguous_of
from viewer.card_text import glyph_svg, pattern_words, with_unit
from viewer.gallery import Gallery
from viewer.library import Library
from viewer.plane_modes import ModeMarks
from viewer.state import ViewState
from viewer.theme import palette, pattern_hex

SAME_UM = 0.2
"""A centre within this of the one in the address is that group; of another run it need not be."""
MOST_RINGS = 400
"""Cells of a larger group are marked by dots: so many rings would be a tangle."""
_RING_TURN = np.linspace(0, 2 * np.pi, 25)
_RING_PX = 6.0


def group_at(gallery: Gallery, state: ViewState, x_um: float, y_um: float) -> str:
    """Tell which group a click on the plane means, as `ViewState.group` writes it; empty for none.

    Only groups whose cells are shown can be meant.
    """
    if not {"cells", "links"} & set(state.layers):
        return ""
    layer = gallery.scene(state.disc).cells
    cell = nearest_cell(layer, x_um, y_um, state.um_per_px, "links" in state.layers)
    if cell is None:
        return ""
    number = int(gallery.library.table(state.disc, "cells")["cell_group"].iloc[cell])
    groups = gallery.library.table(state.disc, "cell_groups")
    rows = groups[groups["cell_group"] == number]
    if rows.empty:
        return ""
    return f"{rows['x_um'].iloc[0]:.1f}_{rows['y_um'].iloc[0]:.1f}"


def selected_group(library: Library, disc: str, text: str) -> dict[str, Any] | None:
    """Find a group by what `group_at` gave: its row of the table; None where no group is there.

    Parameters
    ----------
    library, disc
        Where to look, in the run that is shown.
    text
        Its centre; whatever else stands there is no group.
    """
    x_text, _, y_text = text.partition("_")
    try:
        x, y = float(x_text), float(y_text)
    except ValueError:
        return None
    groups = library.table(disc, "cell_groups")
    if groups.empty or not (isfinite(x) and isfinite(y)):
        return None
    away = np.hypot(groups["x_um"].to_numpy(float) - x, groups["y_um"].to_numpy(float) - y)
    best = int(np.argmin(away))
    if away[best] > SAME_UM:
        return None
    return {str(k): v for k, v in groups.iloc[best].items()}


def members(library: Library, disc: str, group: dict[str, Any]) -> pd.DataFrame:
    """Return the cells of a group."""
    cells = library.table(disc, "cells")
    return cells[cells["cell_group"].to_numpy(dtype=np.int64) == int(group["cell_group"])]


def ambiguous_cells(library: Library, disc: str) -> NDArray[np.bool_]:
    """Tell for each cell whether its group is ambiguous; empty where the run does not say."""

    def make() -> NDArray[np.bool_]:
        found = ambiguous_of(library.table(disc, "cells"), library.table(disc, "cell_groups"))
        found.flags.writeable = False  # shared by all sessions
        return found

    return library.kept(("ambiguous cells", disc, library.run(disc) or ""), make)


def mark_group(marks: ModeMarks, gallery: Gallery, state: ViewState) -> None:
    """Ring the selected group's cells and draw its axis or axes; nothing where none is selected."""
    group = selected_group(gallery.library, state.disc, state.group) if state.group else None
    if group is None:
        return
    colour = palette(state.dark).accent
    cells = members(gallery.library, state.disc, group)
    xy = cells[["x_um", "y_um"]].to_numpy(float)
    if len(xy) > MOST_RINGS:
        for x, y in xy:
            marks.point(x, y, size=4, fill=colour, line=colour)
    else:
        radius = 0.75 * cells["diameter_um"].to_numpy(float)
        for (x, y), r in zip(xy, np.maximum(radius, _RING_PX * state.um_per_px), strict=True):
            ring = r * np.cos(_RING_TURN) + x, r * np.sin(_RING_TURN) + y
            marks.line(ring[0].tolist(), ring[1].tolist(), colour=colour, width=1.8)
    _mark_axes(marks, xy, str(group["pattern"]), state.dark)


def _mark_axes(marks: ModeMarks, xy: NDArray[np.float64], pattern: str, dark: bool) -> None:
    colours = palette(dark)
    number = PATTERNS.index(pattern) if pattern in PATTERNS else NO_PATTERN
    files = pattern in ("string", "double_string")
    for axis in group_axes(xy, number) if number != NO_PATTERN else ():
        xs, ys = axis[:, 0].tolist(), axis[:, 1].tolist()
        # a line of the ground's colour beneath keeps it readable over bright nuclei
        marks.line(xs, ys, colour=colours.plane, width=5)
        marks.line(xs, ys, colour=colours.text, width=2, dash="solid" if files else "4 4")


def group_box_html(gallery: Gallery, state: ViewState) -> str:
    """Tell about the selected group in a few lines; empty where none is selected."""
    group = selected_group(gallery.library, state.disc, state.group) if state.group else None
    if group is None:
        return ""
    pattern = str(group["pattern"])
    glyph = glyph_svg(pattern, pattern_hex(state.dark)[pattern]) if pattern in PATTERNS else ""
    words = ambiguous_words(group)
    doubt = f' <span class="unsure">{escape(words)}</span>' if words else ""
    by_hand = _added(members(gallery.library, state.disc, group))
    return (
        f"<h3>{glyph} {escape(pattern_words(pattern))}{doubt}</h3>"
        f"<p>{escape(size_words(group))}</p>"
        f"<p>{escape(confidence_words(group))}</p>"
        f'<p class="rule">{escape(str(group.get("rule") or ""))}</p>{by_hand}'
    )


def _added(cells: pd.DataFrame) -> str:
    count = int(cells["by_hand"].sum()) if "by_hand" in cells else 0
    if not count:
        return ""
    return f"<p>{count} of its cells {'was' if count == 1 else 'were'} added by hand.</p>"


def ambiguous_words(group: dict[str, Any]) -> str:
    """Say that a group is ambiguous, and what else it could be; empty where it is not."""
    if not truth(group.get("ambiguous")):
        return ""
    second = str(group.get("second") or "")
    return "ambiguous" + (f": could be {pattern_words(second)}" if second else "")


def truth(value: Any) -> bool:
    """Tell whether a truth of a table is yes; one that is missing is no."""
    return bool(value) if value is not None and not pd.isna(value) else False


def size_words(group: dict[str, Any]) -> str:
    """Say how many cells, how long and wide, in which direction."""
    count = int(group["cells"])
    if count < 2:
        return "One cell by itself."
    words = (
        f"{count} cells, {with_unit(float(group['length_um']), 'µm', 2)} long, "
        f"{with_unit(float(group['width_um']), 'µm', 2)} wide"
    )
    angle = float(group["angle_deg"])
    return f"{words}, along {angle:.0f}°." if isfinite(angle) else f"{words}."


def confidence_words(group: dict[str, Any]) -> str:
    """Say how sure the pattern is and what that is made of: stability and class margin."""
    said = f"Confidence {float(group['pattern_confidence']):.2f}"
    stability, margin = (float(group.get(name, np.nan)) for name in ("stability", "margin"))
    parts = []
    if isfinite(stability):
        parts.append(f"kept in {100 * stability:.0f} % of disturbed repetitions")
    if isfinite(margin):
        away = 100 * expm1(min(margin, 2.0))
        parts.append(
            f"more than {away:.0f} % clear of any threshold"
            if margin > 2.0
            else f"nearest threshold {away:.0f} % away"
        )
    return f"{said}: {', '.join(parts)}." if parts else f"{said}."
