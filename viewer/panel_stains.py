"""The panel of the stains: a line for each, with its colour and the values it is drawn between."""

from __future__ import annotations

from math import isfinite
from typing import Any, ClassVar

from engine.view.stains import INKS, ink_hex
from viewer.plane_panels import Panel, Row
from viewer.stains import Choice, changed, read_choices, shown_too, write_choices

STEPS = 200
"""Places of a slider."""


class StainsPanel(Panel):
    """Which stains are shown, in which colour, between which values."""

    name: ClassVar[str] = "stains"
    title: ClassVar[str] = "Stains of the mosaic: shown or not, colour, darkest and brightest value"

    def rows(self) -> list[Row]:
        """Return a line for each stain; none where there is no mosaic."""
        channels = self.gallery.channels(self.state.disc)
        if "mosaic" not in self.state.layers or not channels:
            return []
        chosen = read_choices(self.state.stains, channels)
        rows = [row for one in chosen for row in self._line(one, channels[one.channel])]
        if len(channels) > 1 or self.state.stains:
            rows.append(Row("button", "reset", "nuclei alone", title="As it was at first"))
        return rows

    def _line(self, one: Choice, name: str) -> list[Row]:
        line, dark, off = f"stain {one.channel}", self.state.dark, not one.shown
        auto, ends = self.gallery.stain_window(self.state.disc, one.channel)
        low, high = one.window or auto
        inks = [(ink_hex(letter, dark), INKS[letter][0]) for letter in INKS]
        key, ink = str(one.channel), ink_hex(one.ink, dark)
        return [
            Row("toggle", f"show {key}", name, one.shown, "Shown or hidden", line=line),
            Row("colour", f"ink {key}", "", ink, f"{name}, colour", inks, line=line, disabled=off),
            Row(
                "span",
                f"window {key}",
                "",
                (low, high),
                f"{name}, darkest and brightest value",
                low=min(ends[0], low),
                high=max(ends[1], high),
                step=(ends[1] - ends[0]) / STEPS or 1.0,
                line=line,
                disabled=off,
            ),
            Row(
                "button",
                f"auto {key}",
                "auto",
                title="Values as suit the image",
                line=line,
                disabled=off or one.window is None,
            ),
        ]

    def act(self, key: str, value: Any) -> None:
        """Carry out a change; what cannot be is left alone."""
        if key == "reset":
            self.state.stains = ""
            return
        what, _, number = key.partition(" ")
        channels = self.gallery.channels(self.state.disc)
        if not number.isdecimal() or int(number) >= len(channels):
            return
        chosen = read_choices(self.state.stains, channels)
        if what == "show":
            chosen = shown_too(chosen, int(number), bool(value))
        elif (fields := self._fields(what, value)) is not None:
            chosen = changed(chosen, int(number), **fields)
        self.state.stains = write_choices(chosen, channels)

    def _fields(self, what: str, value: Any) -> dict[str, Any] | None:
        if what == "auto":
            return {"window": None}
        if what == "ink":
            inks = {ink_hex(letter, dark): letter for letter in INKS for dark in (True, False)}
            return {"ink": inks[value]} if value in inks else None
        if what == "window":
            window = _pair(value)
            return None if window is None else {"window": window}
        return None


def _pair(value: Any) -> tuple[float, float] | None:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        return None
    if not all(isinstance(v, (int, float)) and isfinite(v) for v in value):
        return None
    low, high = float(value[0]), float(value[1])
    return (low, high) if low < high else None
