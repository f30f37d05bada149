"""A mode of the plane: cells added and taken out by hand, kept beside the computed ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np

from engine.errors import SplendensError
from engine.store.corrections import (
    Correction,
    correct_cell,
    corrections_of,
    digest_of,
    take_back,
)
from viewer.gallery import Gallery
from viewer.plane_modes import Mode
from viewer.plane_panels import Row
from viewer.plane_rerun import PlaneRerun
from viewer.plane_who import hear_who, who_rows
from viewer.state import ViewState

FAR_UM_PER_PX = 1.2
"""Farther away than this a click can't tell one nucleus from the next."""
TOUCH_PX = 5.0


class CorrectMode(Mode):
    """A click adds a cell where there is none and takes out the one it touches."""

    name: ClassVar[str] = "cells"
    label: ClassVar[str] = "correct cells"
    title: ClassVar[str] = (
        "Click a nucleus that was missed to add it, or a cell to take it out; again to undo that."
    )

    def __init__(self, state: ViewState, gallery: Gallery, changed: Callable[[], None]) -> None:
        super().__init__(state, gallery, changed)
        self._done: list[tuple[int, bool]] = []
        self._undone: list[tuple[int, bool]] = []
        self._said = ""
        self._rerun = PlaneRerun(gallery.library, changed)

    def offered(self) -> bool:
        """Tell whether the disc has a mosaic that was analysed."""
        library, disc = self.gallery.library, self.state.disc
        return library.run(disc) is not None and library.store(disc).mosaic is not None

    def begin(self) -> None:
        """Start with nothing to undo: what others did is undone by clicking it."""
        self._done, self._undone, self._said = [], [], ""

    def click(self, x_um: float, y_um: float) -> None:
        """Add, take out, or take back what stands there."""
        if not self.state.who:
            self._said = "Give your name first."
        elif self.state.um_per_px > FAR_UM_PER_PX:
            self._said = "Come closer: at this scale a click can't tell one nucleus from the next."
        else:
            self._try(lambda: self._correct(x_um, y_um))
        self.changed()

    def _try(self, do: Callable[[], None]) -> None:
        try:
            self._said = ""
            do()
        except SplendensError as error:
            self._said = str(error)

    def _path(self) -> Any:
        return self.gallery.library.store(self.state.disc).path

    def _correct(self, x_um: float, y_um: float) -> None:
        path, who = self._path(), self.state.who
        standing = [c for c in corrections_of(path) if c.stands]
        touched = self._touched(standing, x_um, y_um)
        self._undone = []
        if touched is not None:
            take_back(path, touched.number, who)
            self._done.append((touched.number, False))
            return
        cell = self._cell_at(x_um, y_um)
        what, place = ("add", (x_um, y_um)) if cell is None else ("remove", cell)
        made = correct_cell(path, what, *place, who)  # type: ignore[arg-type]
        self._done.append((made.number, True))

    def _touch_um(self) -> float:
        return TOUCH_PX * self.state.um_per_px

    def _touched(self, standing: list[Correction], x: float, y: float) -> Correction | None:
        away = [float(np.hypot(c.x_um - x, c.y_um - y)) for c in standing]
        best = int(np.argmin(away)) if away else -1
        return standing[best] if away and away[best] <= max(self._touch_um(), 4.0) else None

    def _cell_at(self, x: float, y: float) -> tuple[float, float] | None:
        """Place of the computed cell under a click."""
        layer = self.gallery.scene(self.state.disc).cells
        if not len(layer.x_um):
            return None
        away = np.hypot(layer.x_um - x, layer.y_um - y)
        best = int(np.argmin(away))
        if away[best] > max(self._touch_um(), 0.6 * float(layer.diameter_um[best])):
            return None
        return float(layer.x_um[best]), float(layer.y_um[best])

    def act(self, key: str, value: Any) -> None:
        """Undo, redo, start or stop a new run, take a name."""
        acts: dict[str, Callable[[], None]] = {
            "undo": lambda: self._step(self._done, self._undone),
            "redo": lambda: self._step(self._undone, self._done),
            "regrade": lambda: self._rerun.start(self.state.disc, use_corrections=True),
            "stop": self._rerun.cancel,
        }
        if hear_who(self.state, key, value):
            self._said = ""
        elif key in acts:
            self._try(acts[key])
        self.changed()

    def _step(self, source: list[tuple[int, bool]], target: list[tuple[int, bool]]) -> None:
        """Turn the last change of one list round and put it on the other."""
        if source and self.state.who:
            number, stood = source[-1]
            take_back(self._path(), number, self.state.who, back=stood)
            source.pop()
            target.append((number, not stood))

    def rows(self) -> list[Row]:
        """Return what was corrected, undo and redo, and the way to a new run."""
        try:
            found = corrections_of(self._path())
        except SplendensError as error:
            return [Row("text", "trouble", value=str(error))]
        said = [Row("text", "said", value=self._said)] if self._said else []
        if not self.state.who:
            return who_rows(self.state) + said
        standing = [c for c in found if c.stands]
        rows = [
            Row("text", "count", value=count_words(standing), line="undo"),
            Row("button", "undo", "undo", line="undo", disabled=not self._done),
            Row("button", "redo", "redo", line="undo", disabled=not self._undone),
        ]
        counts = self._counted(found)
        title = "a new run with the corrections; curves and images are taken over"
        rows += self._rerun.rows("regrade", "regrade", title, ready=bool(found) and not counts)
        words = self._run_words(counts, standing)
        rows += [Row("text", "counts", value=words, line="run")] if words else []
        return rows + who_rows(self.state) + said

    def _counted(self, found: tuple[Correction, ...]) -> bool:
        """Whether the run that is shown counts the corrections just as they stand."""
        told = self._info().get("corrections")
        if told is None:
            return False
        return digest_of(Correction(**c) for c in told) == digest_of(found)

    def _info(self) -> dict[str, Any]:
        library, disc = self.gallery.library, self.state.disc
        return library.store(disc).run_info(library.run(disc))

    def _run_words(self, counted: bool, standing: list[Correction]) -> str:
        run = self.gallery.library.run(self.state.disc)
        if counted:
            return f"{run} counts them."
        if "corrections" in self._info():
            return f"{run} counts other corrections than these."
        return f"{run} counts the computed cells only." if standing else ""


def count_words(standing: list[Correction]) -> str:
    """Say how many cells were added and taken out, and by whom."""
    added = sum(c.what == "add" for c in standing)
    if not standing:
        return "nothing corrected yet"
    names = list(dict.fromkeys(c.who for c in standing))
    whose = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    return f"{added} added, {len(standing) - added} taken out, by {whose}"
