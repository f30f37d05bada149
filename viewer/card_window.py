"""The cells round a site: the nuclei as seen, their links and patterns, and the graded window."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from bokeh.events import Tap
from bokeh.models import LinearColorMapper

from engine.cells.patterns import NO_PATTERN, PATTERNS
from engine.view.glyphs import PATTERN_GLYPHS
from viewer.card_cells_facts import CellsFacts
from viewer.card_figures import CARD_WIDTH, Look, picture_figure, set_range, source
from viewer.theme import FONT, SMALL_PX, pattern_hex

_GLYPH_PX = 9.0  # half the side of a group's glyph
_REACH_UM = 8.0  # a click counts for a cell no farther away than this
_LEAST_CELLS = 3  # smaller groups are scattered cells and carry no glyph


class WindowPicture:
    """The picture; a click on a cell chooses its group.

    Parameters
    ----------
    look
        Colours.
    on_group
        Told the group of the cell that was clicked, None where the click met none.
    """

    def __init__(self, look: Look, on_group: Callable[[int | None], None]) -> None:
        self._on_group = on_group
        self._facts: CellsFacts | None = None
        self._colours = np.array([*pattern_hex(look.dark).values(), look.quiet])
        self.fig = picture_figure(look)
        self._mosaic = source(image=[], x=[], y=[], dw=[], dh=[])
        ends = (look.ground, "#8a8a8a") if look.dark else (look.ground, "#9c9c9c")
        greys = LinearColorMapper(palette=_ramp(*ends), low=0, high=255)
        self._picture = self.fig.image(
            "image", "x", "y", "dw", "dh", source=self._mosaic, color_mapper=greys
        )
        self._frame = source(x=[0.0], y=[0.0], side=[0.0])
        self.fig.rect(
            "x", "y", "side", "side", source=self._frame, fill_color=None, line_color=look.text
        )
        self._site = source(x=[], y=[])
        self.fig.patch(
            "x", "y", source=self._site, fill_color=None, line_color=look.chosen, line_width=1.5
        )
        self._draw_cells(look)
        self._words = source(x=[], y=[], text=[])
        self.fig.text(
            "x",
            "y",
            "text",
            source=self._words,
            text_color=look.text,
            background_fill_color=look.ground,
            background_fill_alpha=0.7,
            text_font={"value": FONT},
            text_font_size=f"{SMALL_PX}px",
            y_offset=-3,
        )
        self.fig.on_event(Tap, self._tapped)

    def _draw_cells(self, look: Look) -> None:
        self._links = source(x0=[], y0=[], x1=[], y1=[], colour=[])
        self.fig.segment(
            "x0", "y0", "x1", "y1", source=self._links, line_color="colour", line_width=2
        )
        self._cells = source(x=[], y=[], radius=[], colour=[], alpha=[])
        self.fig.circle(
            "x",
            "y",
            radius="radius",
            source=self._cells,
            fill_color=None,
            line_color="colour",
            line_width=2,
            line_alpha="alpha",
        )
        self._chosen = source(x=[], y=[], radius=[])
        self.fig.circle(
            "x",
            "y",
            radius="radius",
            source=self._chosen,
            fill_color=None,
            line_color=look.chosen,
            line_width=2.5,
        )
        self._glyphs = source(x=[], y=[], radius=[], colour=[])
        self.fig.circle(
            "x", "y", radius="radius", source=self._glyphs, fill_color="colour", line_color=None
        )

    def _tapped(self, event: Any) -> None:
        if self._facts is None:
            return
        at = self._facts.nearest(event.x, event.y, _REACH_UM)
        group = None if at < 0 else int(self._facts.group[at])
        self.choose(group)
        self._on_group(group)

    def choose(self, group: int | None) -> None:
        """Mark the cells of a group, or none."""
        facts = self._facts
        if facts is None:
            return
        its = facts.group == (-2 if group is None else group)
        self._chosen.data = {
            "x": facts.x_um[its],
            "y": facts.y_um[its],
            "radius": 1.9 * facts.radius_um[its],
        }

    def show_mosaic(self, shown: bool) -> None:
        """Draw the nuclei as they were seen, or not."""
        self._picture.visible = shown

    def show(self, facts: CellsFacts) -> None:
        """Show the cells round a site."""
        self._facts = facts
        half = facts.side_um / 2
        set_range(self.fig.x_range, -half, half)
        set_range(self.fig.y_range, -half, half)
        left, bottom, width, height = facts.grey_box_um
        seen = [] if facts.grey is None else [facts.grey]
        self._mosaic.data = {
            "image": seen,
            "x": [left] * len(seen),
            "y": [bottom] * len(seen),
            "dw": [width] * len(seen),
            "dh": [height] * len(seen),
        }
        colour = self._colours[facts.pattern]  # no pattern is the last one
        first, second = facts.links.T if len(facts.links) else np.zeros((2, 0), int)
        self._links.data = {
            "x0": facts.x_um[first],
            "y0": facts.y_um[first],
            "x1": facts.x_um[second],
            "y1": facts.y_um[second],
            "colour": colour[first],
        }
        self._cells.data = {
            "x": facts.x_um,
            "y": facts.y_um,
            "radius": 1.35 * facts.radius_um,
            "colour": colour,
            "alpha": np.where(facts.inside, 1.0, 0.4),
        }
        self._glyphs.data = _group_glyphs(facts, self._colours)
        self._site.data = {"x": facts.outline_x_um, "y": facts.outline_y_um}
        side = facts.window_um
        self._frame.data = {"x": [0.0], "y": [0.0], "side": [side]}
        words = f"window {side:g} × {side:g} µm"
        self._words.data = {"x": [-side / 2], "y": [side / 2], "text": [words]}
        self.choose(None)


def _ramp(low: str, high: str) -> list[str]:
    ends = [np.array([int(c[i : i + 2], 16) for i in (1, 3, 5)], float) for c in (low, high)]
    steps = [ends[0] + (ends[1] - ends[0]) * k / 255 for k in range(256)]
    return ["#" + "".join(f"{round(c):02x}" for c in step) for step in steps]


def _group_glyphs(facts: CellsFacts, colours: Any) -> dict[str, Any]:
    """Glyph of each larger group of the window, above its topmost cell."""
    half = _GLYPH_PX * facts.side_um / CARD_WIDTH
    xs, ys, radii, shades = [], [], [], []
    for group in np.unique(facts.group[facts.inside]):
        its = np.flatnonzero(facts.group == group)
        pattern = int(facts.pattern[its[0]])
        if len(its) < _LEAST_CELLS or pattern == NO_PATTERN:
            continue
        top = its[np.argmax(facts.y_um[its])]
        dots = PATTERN_GLYPHS[PATTERNS[pattern]]
        xs.append(facts.x_um[top] + half * dots[:, 0])
        ys.append(facts.y_um[top] + 1.6 * half + facts.radius_um[top] - half * dots[:, 1])
        radii.append(1.2 * half * dots[:, 2])
        shades += [colours[pattern]] * len(dots)
    if not xs:
        return {"x": [], "y": [], "radius": [], "colour": []}
    return {
        "x": np.concatenate(xs),
        "y": np.concatenate(ys),
        "radius": np.concatenate(radii),
        "colour": shades,
    }
