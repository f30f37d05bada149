"""Modes of the plane: while one is on, a click on the disc is a click of that mode.

A new mode is a class in a file of its own and a line in `viewer.plane_offers`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar

from viewer.gallery import Gallery
from viewer.plane_panels import Row
from viewer.state import ViewState


@dataclass
class ModeMarks:
    """What a mode draws above the picture, disc micrometres; lists of equal length in each group.

    Attributes
    ----------
    points
        ``x y marker size fill line``: marks of Bokeh's scatter, sizes in pixels.
    lines
        ``xs ys line width dash``.
    words
        ``x y text colour``.
    """

    points: dict[str, list[Any]] = field(
        default_factory=lambda: {k: [] for k in ("x", "y", "marker", "size", "fill", "line")}
    )
    lines: dict[str, list[Any]] = field(
        default_factory=lambda: {k: [] for k in ("xs", "ys", "line", "width", "dash")}
    )
    words: dict[str, list[Any]] = field(
        default_factory=lambda: {k: [] for k in ("x", "y", "text", "colour")}
    )

    def point(
        self,
        x: float,
        y: float,
        *,
        marker: str = "circle",
        size: float = 12.0,
        fill: str,
        line: str,
    ) -> None:
        """Add a mark; a `fill` with an alpha of zero (``#00000000``) leaves it hollow."""
        values = (float(x), float(y), marker, float(size), fill, line)
        for key, value in zip(self.points, values, strict=True):
            self.points[key].append(value)

    def line(
        self,
        xs: list[float],
        ys: list[float],
        *,
        colour: str,
        width: float = 2.0,
        dash: str = "solid",
    ) -> None:
        """Add an open line."""
        for key, value in zip(self.lines, (xs, ys, colour, float(width), dash), strict=True):
            self.lines[key].append(value)

    def word(self, x: float, y: float, text: str, colour: str) -> None:
        """Add a word that stands to the right of a place."""
        for key, value in zip(self.words, (float(x), float(y), text, colour), strict=True):
            self.words[key].append(value)


class Mode:
    """One mode.

    Parameters
    ----------
    state
        What is looked at.
    gallery
        The discs.
    changed
        To be called whenever its marks or rows have changed.
    """

    name: ClassVar[str]
    label: ClassVar[str]
    title: ClassVar[str]

    def __init__(self, state: ViewState, gallery: Gallery, changed: Callable[[], None]) -> None:
        self.state, self.gallery, self.changed = state, gallery, changed

    def offered(self) -> bool:
        """Tell whether it makes sense on the present disc."""
        return True

    def begin(self) -> None:
        """Be switched on, or see another disc while on."""

    def end(self) -> None:
        """Be switched off."""

    def click(self, x_um: float, y_um: float) -> None:
        """Hear a click on the disc."""
        raise NotImplementedError

    def rows(self) -> list[Row]:
        """Return the rows of its strip."""
        return []

    def act(self, key: str, value: Any) -> None:
        """Carry out a change of one row; `value` comes from the page and must be checked."""

    def marks(self) -> ModeMarks:
        """Return what is drawn."""
        return ModeMarks()


class Modes:
    """All modes of one session; at most one is on.

    Parameters
    ----------
    state, gallery
        What is looked at, and the discs.
    kinds
        Which modes there are.
    changed
        Called whenever what the present mode draws or says has changed.
    """

    def __init__(
        self,
        state: ViewState,
        gallery: Gallery,
        kinds: Sequence[type[Mode]],
        changed: Callable[[], None],
    ) -> None:
        self._state = state
        self._modes = {kind.name: kind(state, gallery, changed) for kind in kinds}
        self._on = ""
        state.param.watch(lambda _e: self._follow(), ["mode", "disc"])
        self._changed = changed

    @property
    def present(self) -> Mode | None:
        """The mode that is on."""
        return self._modes.get(self._state.mode)

    def _follow(self) -> None:
        if self._on in self._modes:
            self._modes[self._on].end()
        self._on = self._state.mode
        mode = self.present
        if mode is not None and not mode.offered():
            self._state.mode = ""
            return
        if mode is not None:
            mode.begin()
        self._changed()

    def said(self) -> list[dict[str, Any]]:
        """Return what the page needs to draw them; rows only of the one that is on."""
        return [
            {
                "name": name,
                "label": mode.label,
                "title": mode.title,
                "rows": [asdict(row) for row in mode.rows()] if name == self._state.mode else [],
            }
            for name, mode in self._modes.items()
            if mode.offered()
        ]

    def choose(self, name: Any) -> None:
        """Switch a mode on, or off where it is on; what is none is left alone."""
        if name in self._modes:
            self._state.mode = "" if self._state.mode == name else name

    def act(self, wish: Any) -> None:
        """Hand a change of the strip to the mode that is on."""
        mode = self.present
        if mode is not None and isinstance(wish, dict) and "key" in wish:
            mode.act(str(wish["key"]), wish.get("value"))

    def marks(self) -> ModeMarks:
        """Return what the present mode draws."""
        mode = self.present
        return ModeMarks() if mode is None else mode.marks()
