"""The height image of a site as light and shade; traced fibrils coloured by thickness."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from bokeh.models import HoverTool, LinearColorMapper, TapTool

from engine.view.ramps import ColourScale, scale_for
from viewer.card_figures import (
    Look,
    colour_mapper,
    picture_figure,
    round_length,
    set_range,
    source,
    white_text,
)
from viewer.card_network_facts import LOOKS, NO_DATUM, GreyPicture, NetworkFacts, grey_picture
from viewer.card_text import plain_number

_INSET = 0.04  # of the picture's side, for scale bar and label


def _greys() -> list[str]:
    return [f"#{level:02x}{level:02x}{level:02x}" for level in range(NO_DATUM)] + ["#00000000"]


class ReliefPicture:
    """The picture; a click on a fibril chooses it.

    Parameters
    ----------
    look
        Colours.
    on_fibril
        Told the index of the piece that was clicked, None where the click met none.
    """

    def __init__(self, look: Look, on_fibril: Callable[[int | None], None]) -> None:
        self._on_fibril = on_fibril
        self._showing = False
        self._facts: NetworkFacts | None = None
        self._look = LOOKS[0]
        self.drawn: GreyPicture | None = None
        self.fig = picture_figure(look)
        self._image = source(image=[], x=[], y=[], dw=[], dh=[])
        greys = LinearColorMapper(palette=_greys(), low=-0.5, high=NO_DATUM + 0.5)
        self.fig.image("image", "x", "y", "dw", "dh", source=self._image, color_mapper=greys)
        self._paths = source(xs=[], ys=[], at=[], thickness=[], length=[], period=[])
        self._traced = self._draw_paths(look)
        self._points = source(x=[], y=[])
        self._junctions = self.fig.scatter(
            "x", "y", source=self._points, size=6, fill_color=None, line_color="#ffffff"
        )
        self._junctions.visible = False
        self._cells = source(x0=[], y0=[], x1=[], y1=[])
        self._directions = self.fig.segment(
            "x0", "y0", "x1", "y1", source=self._cells, line_color="#ffffff", line_width=2.2
        )
        self._directions.visible = False
        self._scale_bar = source(x0=[], x1=[], y=[], text=[])
        self._draw_scale_bar()

    def _draw_paths(self, look: Look) -> Any:
        mapper = colour_mapper("length")
        mapper.nan_color = "#9a9a9a"
        lines = self.fig.multi_line(
            "xs",
            "ys",
            source=self._paths,
            line_width=1.7,
            line_color={"field": "at", "transform": mapper},
            nonselection_line_alpha=0.75,
            selection_line_width=5,
            selection_line_color=look.chosen,
        )
        tips = [
            ("thickness", "@thickness"),
            ("length", "@length"),
            ("band period", "@period"),
        ]
        self.fig.add_tools(
            HoverTool(renderers=[lines], tooltips=tips, line_policy="interp"),
            TapTool(renderers=[lines]),
        )
        self._paths.selected.on_change("indices", self._chosen)
        return lines

    def _draw_scale_bar(self) -> None:
        for width, colour in ((5, "#000000"), (2.5, "#ffffff")):
            self.fig.segment(
                "x0", "y", "x1", "y", source=self._scale_bar, line_width=width, line_color=colour
            )
        self.fig.text("x0", "y", "text", source=self._scale_bar, y_offset=-5, **white_text())

    def _chosen(self, _name: str, _old: list[int], new: list[int]) -> None:
        if not self._showing:
            self._on_fibril(int(new[0]) if new else None)

    def show(self, facts: NetworkFacts) -> None:
        """Show an image and its network."""
        self._showing = True
        try:
            self._show(facts)
        finally:
            self._showing = False

    def _show(self, facts: NetworkFacts) -> None:
        width, height = facts.width_nm, facts.height_nm
        self._facts = facts
        self.show_look(self._look)
        shown = min(1.6, max(0.35, height / width))
        self.fig.aspect_ratio = 1.0 / shown
        set_range(self.fig.x_range, -width / 2, width / 2)
        set_range(self.fig.y_range, -width * shown / 2, width * shown / 2)
        scale = thickness_scale(facts)
        self._paths.selected.indices = []
        self._paths.data = _path_columns(facts, scale)
        self._points.data = {"x": facts.junction_x_nm, "y": facts.junction_y_nm}
        self._cells.data = direction_strokes(facts)
        length = round_length(width / 4)
        x0, y = -width / 2 + _INSET * width, -height / 2 + _INSET * width
        words = f"{plain_number(length)} nm" if length < 1000 else f"{length / 1000:g} µm"
        self._scale_bar.data = {"x0": [x0], "x1": [x0 + length], "y": [y], "text": [words]}

    def show_look(self, look: str) -> None:
        """Draw the image as relief, height or slope, see `LOOKS`."""
        self._look = look
        if self._facts is not None:
            self.show_picture(grey_picture(self._facts, look))

    def show_picture(self, drawn: GreyPicture | None) -> None:
        """Draw another picture of the same image; None brings back the chosen look."""
        if self._facts is None:
            return
        if drawn is None:
            drawn = grey_picture(self._facts, self._look)
        width, height = self._facts.width_nm, self._facts.height_nm
        self.drawn = drawn
        self._image.data = {
            "image": [self.drawn.grey],
            "x": [-width / 2],
            "y": [-height / 2],
            "dw": [width],
            "dh": [height],
        }

    def show_traces(self, shown: bool) -> None:
        """Draw the traced fibrils, or the bare relief."""
        self._traced.visible = shown

    def show_junctions(self, shown: bool) -> None:
        """Draw the apparent junctions, or not."""
        self._junctions.visible = shown

    def show_directions(self, shown: bool) -> None:
        """Draw the local directions, or not."""
        self._directions.visible = shown


def direction_strokes(facts: NetworkFacts) -> dict[str, list[float]]:
    """One stroke a cell of the image along its director, longer where its fibrils agree.

    Returns
    -------
    dict
        Ends ``x0 y0 x1 y1`` in the picture; a cell without any length of fibrils has none.
    """
    record = facts.record
    names = ("cell_u_nm", "cell_v_nm", "cell_angle_deg", "cell_order")
    u, v, angle, order = (np.asarray(record.get(f"orientation.{n}", ())) for n in names)
    half = 0.48 * facts.number("orientation.cell_nm") * np.clip(order, 0.0, 1.0)
    known = np.isfinite(angle) & np.isfinite(half)
    along = np.radians(angle[known])
    du, dv = half[known] * np.cos(along), half[known] * np.sin(along)
    x0, y0 = facts.turn.points(u[known] - du, v[known] - dv)
    x1, y1 = facts.turn.points(u[known] + du, v[known] + dv)
    return {"x0": x0.tolist(), "y0": y0.tolist(), "x1": x1.tolist(), "y1": y1.tolist()}


def grey_html(drawn: GreyPicture | None) -> str:
    """Write the greys of a picture as a strip with its ends; nothing for light and shade."""
    if drawn is None or not np.isfinite(drawn.low):
        return ""
    ends = "".join(f"<i>{plain_number(v, 2)}</i>" for v in (drawn.low, drawn.high))
    return (
        '<div class="legend" role="img" aria-label="grey scale"><div class="strip" '
        'style="background:linear-gradient(to right, #000, #fff)"></div>'
        f'<div class="ticks">{ends}</div><div>{drawn.label} ({drawn.unit}), '
        "0.5 to 99.5 % of the image</div></div>"
    )


def thickness_scale(facts: NetworkFacts) -> ColourScale:
    """Colours of thickness on one image."""
    return scale_for("fibrils", "thickness_nm", facts.thickness_nm)


def _path_columns(facts: NetworkFacts, scale: ColourScale) -> dict[str, Any]:
    measured = np.isfinite(facts.thickness_nm)
    return {
        "xs": list(facts.xs),
        "ys": list(facts.ys),
        "at": scale.fraction(facts.thickness_nm),
        "thickness": [
            f"{t:.0f} ± {se:.0f} nm" if known else "not measured"
            for t, se, known in zip(
                facts.thickness_nm, facts.thickness_se_nm, measured, strict=True
            )
        ],
        "length": [f"{length:.0f} nm" for length in facts.length_nm],
        "period": [f"{p:.1f} nm" if np.isfinite(p) else "none told" for p in facts.band_period_nm],
    }
