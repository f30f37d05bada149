"""Clips of a hand-held endoscope: verdict, mosaic, sharpness along the clip, a strip of frames."""

from __future__ import annotations

from typing import Any

import numpy as np
import panel as pn
from bokeh.events import Tap

from viewer.card_figures import Look, look_of, padded, set_range, small_figure, source
from viewer.card_parts import Choice, column, figure_pane, row, text_pane
from viewer.clips_facts import ClipFacts, clip_facts, clip_names, frame_of
from viewer.clips_words import head_html, mosaic_html, picture_html, strip_html
from viewer.library import Library
from viewer.state import ViewState

_CURVE_PX = 150


class ClipsPanel(pn.viewable.Viewer):
    """The panel over the plane; it is filled when it is opened.

    Parameters
    ----------
    state
        What is looked at: `disc`, `dark` and `clips_open` are followed.
    library
        The open discs.
    """

    def __init__(self, state: ViewState, library: Library) -> None:
        super().__init__()
        self._state, self._library = state, library
        self._shown: tuple[str, str, bool, str] | None = None
        self._clip = ""
        self._frame = -1
        self._body = pn.Column(margin=(10, 18, 18, 18), sizing_mode="stretch_width")
        state.param.watch(lambda _event: self._update(), ["disc", "dark", "clips_open"])
        self._update()

    def __panel__(self) -> Any:
        return self._body

    @property
    def frame(self) -> int:
        """Number of the frame that is shown large; -1 for none."""
        return self._frame

    def _update(self) -> None:
        if not self._state.clips_open:
            return
        names = clip_names(self._library, self._state.disc)
        if not names:
            self._body.objects = []
            self._shown = None
            return
        if self._clip not in names:
            self._clip = names[0]
        run = self._library.run(self._state.disc) or ""
        wanted = (self._state.disc, run, self._state.dark, self._clip)
        if wanted != self._shown:
            self._shown = wanted
            with pn.io.hold():
                self._body.objects = self._parts(names)

    def _choose(self, clip: str) -> None:
        self._clip = clip
        self._update()

    def _parts(self, names: tuple[str, ...]) -> list[Any]:
        look = look_of(self._state.dark)
        facts = clip_facts(self._library, self._state.disc, self._clip)
        choice = Choice(look, {name: name for name in names}, self._clip, self._choose)
        head, mosaic, strip = text_pane(look), text_pane(look), text_pane(look)
        head.object = head_html(facts)
        mosaic.object = mosaic_html(facts, self._state.dark)
        pictures = [(n, self._picture(n)) for n in facts.strip]
        strip.object = strip_html(pictures, facts)
        self._large = text_pane(look)
        self._show_frame(max(facts.sharpest, 0))
        beside = column(self._large)
        if len(facts.focus):
            beside.append(figure_pane(self._focus(facts, look)))
        left = pn.Column(head, mosaic, margin=(0, 20, 0, 0), sizing_mode="stretch_width")
        right = pn.Column(beside, width=300, margin=0)
        lead = [row(*choice.buttons)] if len(names) > 1 else []
        return [*lead, pn.Row(left, right, sizing_mode="stretch_width", margin=0), strip]

    def _picture(self, number: int) -> Any:
        return frame_of(self._library, self._state.disc, self._clip, number)

    def _show_frame(self, number: int) -> None:
        self._frame = number
        facts = clip_facts(self._library, self._state.disc, self._clip)
        words = f"frame {number}"
        if number == facts.sharpest:
            words += ", the sharpest"
        elif number < len(facts.sharp):
            words += ", sharp" if facts.sharp[number] else ", not sharp"
        self._large.object = picture_html(self._picture(number), words)

    def _focus(self, facts: ClipFacts, look: Look) -> Any:
        """Sharpness along the clip; a click shows that frame."""
        fig = small_figure(look, height=_CURVE_PX, x_label="frame", y_label="sharpness", zoom=False)
        frames = np.arange(len(facts.focus))
        fig.line("x", "y", source=source(x=frames, y=facts.focus), line_color=look.second)
        for those, colour, name in (
            (facts.sharp, look.text, "sharp"),
            (frames == facts.sharpest, look.chosen, "sharpest"),
        ):
            fig.scatter(
                "x", "y", source=source(x=frames[those], y=facts.focus[those]), size=6,
                color=colour, legend_label=name,
            )  # fmt: skip
        fig.legend[0].update(
            location="top_right", orientation="horizontal", background_fill_color=None,
            border_line_color=None, label_text_color=look.quiet, padding=0, margin=2,
            label_text_font_size=fig.xaxis[0].axis_label_text_font_size,
        )  # fmt: skip
        set_range(fig.x_range, -1, len(frames))
        low, high = padded([0.0, 1.25 * float(facts.focus.max())], 0.0)
        set_range(fig.y_range, low, high)
        fig.on_event(Tap, self._tapped)
        return fig

    def _tapped(self, event: Any) -> None:
        facts = clip_facts(self._library, self._state.disc, self._clip)
        if event.x is not None and np.isfinite(event.x):
            self._show_frame(int(np.clip(round(event.x), 0, facts.stored.frames - 1)))
