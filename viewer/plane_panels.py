"""Panels of the plane: small fold-outs under its tools in which a layer's choices are made.

A panel is plain values: it says which rows it has, the page draws them, and what a person changes
comes back to `Panel.act`. A new one is a class in a file of its own and a line in
`viewer.plane_offers`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar, Literal

from viewer.gallery import Gallery
from viewer.state import ViewState

Kind = Literal["select", "toggle", "range", "span", "colour", "button", "text", "entry", "plot"]


@dataclass(frozen=True)
class Row:
    """One line of a panel or of a mode's strip.

    Attributes
    ----------
    kind
        ``select`` (one of `items`), ``toggle``, ``range`` (one number between `low` and `high`),
        ``span`` (two, the value is a pair), ``colour`` (one of `items`, hex colours), ``button``,
        ``text`` (words only, the value), ``entry`` (text to be typed), ``plot`` (a curve: lists
        ``x`` and ``y``, places of ``marks`` along x, and names of the axes).
    key
        Its name; `Panel.act` hears it with the new value. Rows of one `line` stand side by side.
    label, title
        Words before it, and its tooltip.
    value
        What is chosen at present.
    items
        Pairs of value and words, or colours.
    low, high, step
        Limits of a number.
    line
        Rows of the same non-empty line stand side by side.
    disabled
        Shown, not to be used.
    """

    kind: Kind
    key: str
    label: str = ""
    value: Any = None
    title: str = ""
    items: Sequence[Any] = ()
    low: float = 0.0
    high: float = 1.0
    step: float = 0.01
    line: str = ""
    disabled: bool = False


class Panel:
    """One fold-out of the plane's tools.

    Parameters
    ----------
    state
        What is looked at; `act` writes to it.
    gallery
        The discs.
    """

    name: ClassVar[str]
    title: ClassVar[str]

    def __init__(self, state: ViewState, gallery: Gallery) -> None:
        self.state, self.gallery = state, gallery

    def rows(self) -> list[Row]:
        """Return its rows; none where there is nothing to choose on this disc."""
        raise NotImplementedError

    def act(self, key: str, value: Any) -> None:
        """Carry out a change of one row; `value` comes from the page and must be checked."""
        raise NotImplementedError


class Panels:
    """All panels of one session.

    Parameters
    ----------
    state, gallery
        What is looked at, and the discs.
    kinds
        Which panels there are.
    """

    def __init__(self, state: ViewState, gallery: Gallery, kinds: Sequence[type[Panel]]) -> None:
        self._panels = {kind.name: kind(state, gallery) for kind in kinds}

    def said(self) -> list[dict[str, Any]]:
        """Return what the page needs to draw them."""
        drawn = ((name, panel, panel.rows()) for name, panel in self._panels.items())
        return [
            {"name": name, "title": panel.title, "rows": [asdict(row) for row in rows]}
            for name, panel, rows in drawn
            if rows
        ]

    def act(self, wish: Any) -> None:
        """Hand a change to its panel; what is none is left alone."""
        if isinstance(wish, dict) and wish.get("of") in self._panels and "key" in wish:
            self._panels[wish["of"]].act(str(wish["key"]), wish.get("value"))
