"""Landmarks on the plane: where they are seen, where the frame has them, and where sites go."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from engine.frames import Frame
from engine.store.landmark_sets import LandmarkSet
from viewer.plane_modes import ModeMarks
from viewer.state import ViewState
from viewer.theme import palette

Floats = NDArray[np.float64]

ARROW_SHARE = 0.2
"""Length of the longest arrow over the landmarks' extent."""
MOST_TIMES = 1000.0
_NOTHING_UM = 1e-6
_HEAD = 0.22
_CLEAR = "#00000000"


def magnified(found: LandmarkSet, frame: Frame) -> float:
    """Say how many times too long residuals are drawn: 1, 2 or 5 times a power of ten."""
    extent = float(np.ptp(found.disc_um, axis=0).max()) if len(found.names) else 0.0
    largest = float(frame.residual_um.max(initial=0.0))
    if largest <= _NOTHING_UM or extent <= 0:
        return 1.0
    wanted = min(ARROW_SHARE * extent / largest, MOST_TIMES)
    power = 10.0 ** np.floor(np.log10(max(wanted, 1.0)))
    steps = [m * power for m in (5.0, 2.0, 1.0) if m * power <= max(wanted, 1.0)]
    return float(steps[0])


def mark_frame(
    marks: ModeMarks,
    found: LandmarkSet,
    frame: Frame | None,
    taken: int | None,
    state: ViewState,
    sites_stage_um: Floats | None,
) -> None:
    """Draw landmarks with their residuals, and the sites where the frame has them.

    Parameters
    ----------
    marks
        Takes what is drawn.
    found, frame
        The landmarks and the frame they give, if they give one.
    taken
        The landmark that is taken up.
    state
        What is looked at.
    sites_stage_um
        Sites in the stage frame, (n, 2), where they come to lie elsewhere; else None.
    """
    colours = palette(state.dark)
    for i, (name, (x, y)) in enumerate(zip(found.names, found.disc_um, strict=True)):
        colour = colours.accent if i == taken else colours.text
        marks.point(x, y, marker="cross", size=22, fill=_CLEAR, line=colours.plane)
        marks.point(x, y, marker="circle_cross", size=18, fill=_CLEAR, line=colour)
        marks.word(x, y, f"  {name}", colour)
    if frame is None:
        return
    times = magnified(found, frame)
    mapped = frame.to_disc(found.stage_um) if len(found.names) else np.empty((0, 2))
    for seen, fitted in zip(found.disc_um, mapped, strict=True):
        _arrow(marks, seen, times * (fitted - seen), colours.plane, 5.0)
        _arrow(marks, seen, times * (fitted - seen), colours.caution, 2.0)
    if len(found.names):
        x, y = found.disc_um[int(np.argmax(frame.residual_um))]
        below = 26 * state.um_per_px
        marks.word(x, y + below, f"residuals drawn {times:g} × as long", colours.caution)
    if sites_stage_um is not None:
        for x, y in frame.to_disc(sites_stage_um):
            marks.point(x, y, marker="x", size=9, fill=_CLEAR, line=colours.caution)


def _arrow(marks: ModeMarks, start: Floats, step: Floats, colour: str, width: float) -> None:
    """Add a line with a head, in micrometres."""
    length = float(np.linalg.norm(step))
    if length <= 0:
        return
    tip, along = start + step, step / length
    side = np.array([-along[1], along[0]])
    back = tip - _HEAD * length * along
    wing = 0.4 * _HEAD * length * side
    points = np.array([start, tip, back + wing, tip, back - wing])
    marks.line(points[:, 0].tolist(), points[:, 1].tolist(), colour=colour, width=width)
