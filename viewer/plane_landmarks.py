"""A mode of the plane: landmarks set and moved on the mosaic, with what that does to the frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np

from engine.errors import SplendensError
from engine.frames import Frame
from engine.intake.landmarks import frame_words
from engine.store.landmark_sets import (
    LandmarkSet,
    read_landmark_set,
    save_landmarks,
    saved_sets,
    set_of,
)
from viewer.gallery import Gallery
from viewer.landmark_marks import mark_frame
from viewer.landmark_words import frame_lines, new_landmark, set_items
from viewer.plane_modes import Mode, ModeMarks
from viewer.plane_panels import Row
from viewer.plane_rerun import PlaneRerun
from viewer.plane_who import hear_who, who_rows
from viewer.state import ViewState

TOUCH_PX = 14.0
IMPORTED = "as imported"
EMPTY = LandmarkSet((), np.empty((0, 2)), np.empty((0, 2)))
OLD = (
    "This store keeps the landmarks' places in the stage only: import the folder anew to see them "
    "on the mosaic."
)


class LandmarkMode(Mode):
    """One click takes a landmark up, the next puts it down; residuals follow at once."""

    name: ClassVar[str] = "landmarks"
    label: ClassVar[str] = "landmarks"
    title: ClassVar[str] = "Click a landmark to take it up, then the place it belongs to."

    def __init__(self, state: ViewState, gallery: Gallery, changed: Callable[[], None]) -> None:
        super().__init__(state, gallery, changed)
        self._of = ""
        self._name = ""
        self._set, self._kept = EMPTY, EMPTY
        self._taken: int | None = None
        self._new: tuple[str, float, float] | None = None
        self._said = ""
        self._rerun = PlaneRerun(gallery.library, changed)

    def offered(self) -> bool:
        """Tell whether the disc has a mosaic and was analysed."""
        library, disc = self.gallery.library, self.state.disc
        return library.run(disc) is not None and library.store(disc).mosaic is not None

    def begin(self) -> None:
        """Show the landmarks of the run; changes that were not kept are still there."""
        of = f"{self.state.disc}|{self.gallery.library.run(self.state.disc)}"
        if of != self._of:
            self._of = of
            info = self.gallery.library.store(self.state.disc).run_info(
                self.gallery.library.run(self.state.disc)
            )
            self._name = str(info.get("landmarks", ""))
            self._load(set_of(self._run_frame()) or EMPTY)
        self._taken, self._new, self._said = None, None, ""

    def _load(self, found: LandmarkSet) -> None:
        self._set = self._kept = found
        self._taken = None

    def _run_frame(self) -> Frame:
        return self.gallery.library.store(self.state.disc).frame

    @property
    def _changed(self) -> bool:
        same = self._set.names == self._kept.names and self._set.method == self._kept.method
        return not same or not np.array_equal(self._set.disc_um, self._kept.disc_um)

    def frame(self) -> Frame | None:
        """Fit the frame of the landmarks as they lie; None where they give none."""
        try:
            return self._set.frame()
        except ValueError:
            return None

    def click(self, x_um: float, y_um: float) -> None:
        """Take a landmark up, put it down, or place a new one."""
        self._said = ""
        if self._new is not None:
            name, *stage = self._new
            self._put(name, np.array(stage), np.array([x_um, y_um]))
            self._new = None
        elif self._taken is not None:
            disc = self._set.disc_um.copy()
            disc[self._taken] = x_um, y_um
            self._set, self._taken = replace(self._set, disc_um=disc), None
        else:
            self._taken = self._near(x_um, y_um)
            if self._taken is None:
                self._said = "There is no landmark there."
        self.changed()

    def _put(self, name: str, stage: Any, disc: Any) -> None:
        found = self._set
        self._set = LandmarkSet(
            (*found.names, name),
            np.vstack([found.stage_um, stage]),
            np.vstack([found.disc_um, disc]),
            found.method,
        )

    def _near(self, x_um: float, y_um: float) -> int | None:
        if not self._set.names:
            return None
        away = np.hypot(*(self._set.disc_um - [x_um, y_um]).T)
        best = int(np.argmin(away))
        return best if away[best] <= TOUCH_PX * self.state.um_per_px else None

    def act(self, key: str, value: Any) -> None:
        """Choose a set or a map, leave a landmark out, keep, use, take a name."""
        acts: dict[str, Callable[[], None]] = {
            "set": lambda: self._choose(value),
            "method": lambda: self._fit_as(value),
            "new": lambda: self._begin_new(value),
            "drop": self._drop,
            "down": lambda: setattr(self, "_taken", None),
            "back": lambda: self._load(self._kept),
            "keep": self._keep,
            "use": self._use,
            "stop": self._rerun.cancel,
        }
        if hear_who(self.state, key, value):
            self._said = ""
        elif key in acts:
            try:
                self._said = ""
                acts[key]()
            except SplendensError as error:
                self._said = str(error)
        self.changed()

    def _choose(self, value: Any) -> None:
        store = self.gallery.library.store(self.state.disc)
        if value == IMPORTED:
            self._name = ""
            self._load(set_of(store.imported_frame) or EMPTY)
        elif value in saved_sets(store.path):
            self._name = str(value)
            self._load(read_landmark_set(store.path, self._name))

    def _fit_as(self, value: Any) -> None:
        if value in ("similarity", "affine"):
            self._set = replace(self._set, method=value)

    def _begin_new(self, value: Any) -> None:
        self._new, self._taken = new_landmark(value, self._set.names), None
        self._said = f"Now click the place of {self._new[0]} on the mosaic."

    def _drop(self) -> None:
        if self._taken is not None:
            keep = np.arange(len(self._set.names)) != self._taken
            names = tuple(n for n, k in zip(self._set.names, keep, strict=True) if k)
            self._set = replace(
                self._set,
                names=names,
                stage_um=self._set.stage_um[keep],
                disc_um=self._set.disc_um[keep],
            )
            self._taken = None

    def _keep(self) -> None:
        path = self.gallery.library.store(self.state.disc).path
        self._name = save_landmarks(path, self._set, self.state.who)
        self._kept = self._set

    def _use(self) -> None:
        if self._changed:
            self._keep()
        self._rerun.start(self.state.disc, landmarks=self._name)

    def rows(self) -> list[Row]:
        """Return the choice of a set, what the frame is worth, and what can be done."""
        frame = self.frame()
        library, disc = self.gallery.library, self.state.disc
        names = [(IMPORTED, IMPORTED), *set_items(saved_sets(library.store(disc).path))]
        rows = [
            Row("select", "set", "set", self._name or IMPORTED, items=names, line="set"),
            Row(
                "select", "method", "map", self._set.method, line="set",
                items=[("similarity", "similarity"), ("affine", "affine")],
                title="similarity: turn, one scale, mirror; affine: also shear and two scales",
            ),
        ]  # fmt: skip
        if self._changed:
            rows.append(Row("button", "back", "as before", line="set"))
        if not self._set.names and library.store(disc).imported_frame.names:
            rows.append(Row("text", "old", value=OLD))
        lines = frame_lines(self._set, frame)
        if frame is not None and self._differs(frame):
            lines.append("Crosses: where the sites come to lie.")
        rows.append(Row("text", "worth", value="\n".join(lines)))
        if frame is not None:
            cautions = [frame_words(frame, flag) for flag in frame.flags]
            rows += [Row("text", f"flag {i}", value=text) for i, text in enumerate(cautions)]
        rows += self._edit_rows()
        if self._changed or self._name != self._used():
            rows += self._keep_rows(frame is not None)
        elif self._rerun.words():
            rows.append(Row("text", "progress", value=self._rerun.words()))
        return rows + ([Row("text", "said", value=self._said)] if self._said else [])

    def _used(self) -> str:
        library, disc = self.gallery.library, self.state.disc
        return str(library.store(disc).run_info(library.run(disc)).get("landmarks", ""))

    def _edit_rows(self) -> list[Row]:
        if self._taken is not None:
            name = self._set.names[self._taken]
            return [
                Row("text", "taken", value=f"{name} is taken up: click its place.", line="taken"),
                Row("button", "down", "let go", line="taken"),
                Row("button", "drop", "leave it out", line="taken"),
            ]
        title = "a name and where the stage was, in micrometres: L9 31200.5 4410"
        return [Row("entry", "new", "new: name, stage x, y", "", title=title, line="new")]

    def _keep_rows(self, sound: bool) -> list[Row]:
        if not self.state.who and self._changed:
            return who_rows(self.state)
        rows = []
        if self._changed:
            rows.append(Row("button", "keep", "keep this set", line="run", disabled=not sound))
        title = "a new run with every site placed by these landmarks; what was measured stays"
        rows += self._rerun.rows("use", "use these landmarks", title, ready=sound)
        return rows + (who_rows(self.state) if self.state.who else [])

    def marks(self) -> ModeMarks:
        """Return the landmarks, their residuals, and where the sites come to lie."""
        marks = ModeMarks()
        frame = self.frame()
        store = self.gallery.library.store(self.state.disc)
        moved = frame is not None and self._differs(frame)
        stage = np.array([s.stage_um for s in store.sites.values()]).reshape(-1, 2)
        mark_frame(marks, self._set, frame, self._taken, self.state, stage if moved else None)
        return marks

    def _differs(self, frame: Frame) -> bool:
        """Whether the frame places sites elsewhere than the run that is shown."""
        shown = self._run_frame()
        return not (
            np.allclose(frame.matrix, shown.matrix, atol=1e-9)
            and np.allclose(frame.offset_um, shown.offset_um, atol=1e-3)
        )
