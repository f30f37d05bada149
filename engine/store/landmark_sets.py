"""Landmarks set by hand: each set is a document of its own under ``saved/``, never overwritten."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.errors import SplendensError
from engine.frames import Frame, FrameSettings, fit_frame
from engine.store.corrections import checked_name
from engine.store.saved import alone, read_document, save_document, saved_documents

KIND, FORM = "landmarks", 1
_NUMBERED = re.compile(r"landmarks-(\d{4,})")


@dataclass(frozen=True, eq=False)
class LandmarkSet:
    """Landmarks seen in both frames, and the map that shall be fitted to them.

    Attributes
    ----------
    names
        Their names, n of them.
    stage_um, disc_um
        (n, 2) places in either frame.
    method
        ``similarity`` or ``affine``.
    """

    names: tuple[str, ...]
    stage_um: NDArray[np.float64]
    disc_um: NDArray[np.float64]
    method: str = "similarity"

    def frame(self) -> Frame:
        """Fit the frame.

        Raises
        ------
        ValueError
            If the landmarks give none (see :func:`engine.frames.fit_frame`).
        """
        settings = FrameSettings.model_validate({"method": self.method})
        return fit_frame(self.stage_um, self.disc_um, self.names, settings)

    def csv(self) -> str:
        """Write the set as the disc folder's ``landmarks.csv`` holds it."""
        lines = ["name,stage_x_um,stage_y_um,disc_x_um,disc_y_um"]
        for name, stage, disc in zip(self.names, self.stage_um, self.disc_um, strict=True):
            lines.append(",".join([name, *(f"{v:.10g}" for v in (*stage, *disc))]))
        return "\n".join(lines) + "\n"


def set_of(frame: Frame) -> LandmarkSet | None:
    """Landmarks of a frame; None where it has none, or an older import kept only half of them."""
    if not frame.names or len(frame.disc_um) != len(frame.names):
        return None
    method = "affine" if frame.method == "affine" else "similarity"
    return LandmarkSet(frame.names, np.array(frame.stage_um), np.array(frame.disc_um), method)


def save_landmarks(store: Path, found: LandmarkSet, who: str) -> str:
    """Keep a set under the next free name.

    Returns
    -------
    str
        The name, ``landmarks-0001`` and so on.

    Raises
    ------
    SplendensError
        If nobody is named, the landmarks give no frame, or the store can't be written.
    """
    who = checked_name(who)
    try:
        found.frame()
    except ValueError as error:
        raise SplendensError(f"landmarks: {error}") from error
    rows = [
        {
            "name": label,
            "stage_x_um": float(stage[0]),
            "stage_y_um": float(stage[1]),
            "disc_x_um": float(disc[0]),
            "disc_y_um": float(disc[1]),
        }
        for label, stage, disc in zip(found.names, found.stage_um, found.disc_um, strict=True)
    ]
    document = {"form": FORM, "method": found.method, "landmarks": rows}
    try:
        with alone(store, KIND):
            taken = [int(m[1]) for name in saved_sets(store) if (m := _NUMBERED.fullmatch(name))]
            name = f"landmarks-{max(taken, default=0) + 1:04d}"
            save_document(store, KIND, name, document, who)
    except OSError as error:
        raise SplendensError(f"the store can't be written: {error.strerror or error}") from error
    return name


def saved_sets(store: Path) -> dict[str, dict[str, Any]]:
    """All documents of landmarks by name."""
    return saved_documents(store, KIND)


def read_landmark_set(store: Path, name: str) -> LandmarkSet:
    """Read one set.

    Raises
    ------
    SplendensError
        If there is none of that name, or it can't be read or gives no frame.
    """
    document = read_document(store, KIND, name)
    if document is None:
        known = ", ".join(saved_sets(store)) or "none"
        raise SplendensError(f"landmarks: found no set {name!r} in {store}/saved; it has {known}")
    try:
        rows = document["landmarks"]
        found = LandmarkSet(
            tuple(str(row["name"]) for row in rows),
            np.array([[row["stage_x_um"], row["stage_y_um"]] for row in rows], float),
            np.array([[row["disc_x_um"], row["disc_y_um"]] for row in rows], float),
            str(document["method"]),
        )
        found.frame()
    except (KeyError, TypeError, ValueError) as error:
        raise SplendensError(f"{store}/saved/{KIND}/{name}.json: {error}") from error
    return found
