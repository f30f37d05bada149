"""Corrections as they stand on the plane: a ring with a plus, or a ring struck through."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress

import numpy as np

from engine.errors import SplendensError
from engine.store.corrections import Correction, corrections_of
from viewer.gallery import Gallery
from viewer.plane_modes import ModeMarks
from viewer.state import ViewState
from viewer.theme import palette

RING_UM = 5.0
"""Radius of the marks, a little more than a nucleus."""
_RING_PX = 6.0
_TURN = np.linspace(0, 2 * np.pi, 33)


def mark_corrections(marks: ModeMarks, gallery: Gallery, state: ViewState) -> None:
    """Draw the corrections of the disc that stand, wherever cells are shown.

    A log that can't be read draws nothing here; the mode that corrects says so.
    """
    if not {"cells", "links"} & set(state.layers) and state.mode != "cells":
        return
    with suppress(SplendensError):
        standing = (c for c in corrections_of(gallery.library.store(state.disc).path) if c.stands)
        draw_corrections(marks, standing, state)


def draw_corrections(marks: ModeMarks, corrections: Iterable[Correction], state: ViewState) -> None:
    """Draw corrections: added in the colour of text, taken out in that of a warning."""
    colours = palette(state.dark)
    r = max(RING_UM, _RING_PX * state.um_per_px)
    for c in corrections:
        strokes = [(r * np.cos(_TURN), r * np.sin(_TURN))]
        if c.what == "add":
            strokes += [
                (np.array([-r, r]) * 0.6, np.zeros(2)),
                (np.zeros(2), np.array([-r, r]) * 0.6),
            ]
        else:
            diagonal = np.array([-r, r]) * 1.05
            strokes.append((diagonal, -diagonal))
        colour = colours.text if c.what == "add" else colours.caution
        for xs, ys in strokes:
            place = (c.x_um + xs).tolist(), (c.y_um + ys).tolist()
            marks.line(*place, colour=colours.plane, width=4.5)
            marks.line(*place, colour=colour, width=2)
