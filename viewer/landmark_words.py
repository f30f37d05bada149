"""A set of landmarks in words: residuals, what they are worth, a new one as it is typed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import isfinite
from typing import Any

import numpy as np

from engine.errors import SplendensError
from engine.frames import Frame
from engine.store.landmark_sets import LandmarkSet
from viewer.card_text import plain_number, with_unit

MOST_TOLD = 12
"""Landmarks told one by one; of more only the worst are."""
_FAR_UM = 1e9


def frame_lines(found: LandmarkSet, frame: Frame | None) -> list[str]:
    """Say how well landmarks agree, all together and one by one, the worst first.

    Parameters
    ----------
    found
        The landmarks.
    frame
        The frame they give; None where they give none.
    """
    count = len(found.names)
    if frame is None:
        return [f"{count} landmarks: a frame needs three or more that do not lie on one line."]
    mirror = ", mirrored" if frame.mirrored else ""
    left_out = frame.leave_one_out_um
    whole = f"{count} landmarks{mirror}: residual {with_unit(frame.rms_um, 'µm', 2)} rms"
    if np.isfinite(left_out).any():
        rms = float(np.sqrt(np.nanmean(left_out**2)))
        whole += f", left out in turn {with_unit(rms, 'µm', 2)} (cautious, about twice the truth)"
    order = np.argsort(np.where(np.isfinite(left_out), -left_out, -frame.residual_um))
    each = ",  ".join(_one(frame, int(i)) for i in order[:MOST_TOLD])
    return [f"{whole}.", f"One by one, left out in brackets (µm): {each}."]


def _one(frame: Frame, index: int) -> str:
    left_out = float(frame.leave_one_out_um[index])
    alone = f" ({plain_number(left_out, 2)})" if isfinite(left_out) else ""
    return f"{frame.names[index]} {plain_number(float(frame.residual_um[index]), 2)}{alone}"


def set_items(documents: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Names of kept sets, with who kept them and when."""
    items = []
    for name, document in documents.items():
        saved = document.get("saved")
        saved = saved if isinstance(saved, dict) else {}
        when = str(saved.get("when", ""))[:16].replace("T", " ")
        items.append((name, f"{name}, {saved.get('who', '')}, {when}"))
    return items


def new_landmark(text: Any, taken: tuple[str, ...]) -> tuple[str, float, float]:
    """Read a new landmark: its name and where the stage was, in micrometres.

    Raises
    ------
    SplendensError
        If it can't be read, or the name is taken.
    """
    parts = re.split(r"[\s,;]+", str(text).strip())
    try:
        name, x, y = parts[0], float(parts[1]), float(parts[2])
        sound = len(parts) == 3 and bool(re.fullmatch(r"[\w.-]{1,64}", name))
        sound = sound and max(abs(x), abs(y)) <= _FAR_UM
    except (IndexError, ValueError):
        sound = False
    if not sound:
        raise SplendensError(
            f"new landmark: found {str(text)[:60]!r}; expected a name and two numbers, such as "
            "L9 31200.5 4410"
        )
    if name in taken:
        raise SplendensError(f"new landmark: there is a landmark {name} already")
    return name, x, y
