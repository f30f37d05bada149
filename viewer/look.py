"""All that decides a picture beside the place: layers, colours, and what each layer shows.

The page puts a look into the address of every picture (`Look.query`), the server reads it back
(`read_look`), and the gallery turns it into paint.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlencode

from viewer.state import CHOICE, CHOICE_KEYS, LAYERS, ViewState

_KEYS = {**CHOICE_KEYS, "edits": "ed"}
LOADED = ("height", "shaded")
"""Choices of what nanometre sites show that depend on the load."""


@dataclass(frozen=True)
class Look:
    """How a disc is drawn.

    Attributes
    ----------
    layers
        Layers that are drawn.
    colour_by
        ``table.quantity`` that gives the colours.
    dark
        Dark or light page.
    stains
        Channels of the mosaic: which, in which colour, in which window; empty for the nuclei alone.
    field
        The field that lies over the mosaic; empty for none.
    site_map
        What the nanometre sites show in the place of their height image; empty for that image.
    load
        Load in nN at which the surface of the curves is shown; empty for zero force.
    edits
        Changes whenever what people corrected by hand changes.
    """

    layers: frozenset[str]
    colour_by: str
    dark: bool = True
    stains: str = ""
    field: str = ""
    site_map: str = ""
    load: str = ""
    edits: str = ""

    def query(self) -> str:
        """Write it as a part of a query string; what is not chosen is left out."""
        pairs = [
            ("l", ".".join(layer for layer in LAYERS if layer in self.layers)),
            ("c", self.colour_by),
            ("t", "dark" if self.dark else "light"),
        ]
        pairs += [(key, getattr(self, name)) for name, key in _KEYS.items() if getattr(self, name)]
        return urlencode(pairs)


def look_of(state: ViewState, edits: str = "") -> Look:
    """Return the look that a state asks for."""
    chosen = {name: getattr(state, name) for name in CHOICE_KEYS}
    if state.site_map not in LOADED:
        chosen["load"] = ""  # a load that nothing shows must not draw the plane anew
    return Look(frozenset(state.layers), state.colour_by, state.dark, **chosen, edits=edits)


def read_look(argument: Callable[[str, str], str], colour_by: str) -> Look:
    """Read a look from a request.

    Parameters
    ----------
    argument
        Gives the query's value of a key, or what is handed over where there is none.
    colour_by
        The quantity, checked by the caller, who knows the tables.
    """
    named = argument("l", "").split(".")
    chosen = {name: argument(key, "") for name, key in _KEYS.items()}
    return Look(
        frozenset(layer for layer in LAYERS if layer in named),
        colour_by,
        argument("t", "dark") == "dark",
        **{name: value if CHOICE.fullmatch(value) else "" for name, value in chosen.items()},
    )
