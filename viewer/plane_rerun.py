"""A new run from a mode of the plane: its button, its progress, and where to find it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import panel as pn
from pydantic import ValidationError

from engine.settings import Settings
from viewer.card_rerun import Rerun
from viewer.library import Library
from viewer.plane_panels import Row

_LOOK_EVERY_MS = 500


def settings_with(library: Library, disc: str, **changes: Any) -> Settings | None:
    """Give the settings of the run that is shown with some changed; None if they can't be read."""
    run = library.run(disc)
    found = library.store(disc).run_info(run)["settings"] if run else {}
    try:
        return Settings.model_validate({**found, **changes})
    except ValidationError:
        return None


class PlaneRerun:
    """One new run at a time, told in the rows of a mode.

    Parameters
    ----------
    library
        The open discs.
    changed
        Called whenever there is news.
    """

    def __init__(self, library: Library, changed: Callable[[], None]) -> None:
        self._library, self._changed = library, changed
        self._rerun: Rerun | None = None
        self._poll: Any = None
        self._said = ""

    @property
    def works(self) -> bool:
        """Whether a run is being made."""
        return self._rerun is not None and self._rerun.look()

    def start(self, disc: str, **changes: Any) -> None:
        """Begin a run with the settings of the one shown, some of them changed.

        Curves and images are taken over where an earlier run has them.
        """
        if self.works:
            return
        settings = settings_with(self._library, disc, **changes)
        if settings is None:
            self._said = "The run shown was made with settings of another version."
            return
        self._said = ""
        self._rerun = Rerun(self._library.store(disc).path, settings, reuse=True)
        if pn.state.curdoc is not None:
            self._poll = pn.state.add_periodic_callback(self._look, _LOOK_EVERY_MS)

    def cancel(self) -> None:
        """Stop it; the run that stands stays."""
        if self._rerun is not None:
            self._rerun.cancel()
            self._look()

    def _look(self) -> None:
        if not self.works and self._poll is not None:
            self._poll.stop()
            self._poll = None
        self._changed()

    def rows(self, key: str, label: str, title: str, ready: bool) -> list[Row]:
        """Return a button that starts a run, or how far it is with a button that stops it."""
        if self.works:
            return [
                Row("text", "progress", value=self.words(), line="run"),
                Row("button", "stop", "cancel", line="run"),
            ]
        button = Row("button", key, label, title=title, line="run", disabled=not ready)
        words = self.words()
        return [button, *([Row("text", "progress", value=words, line="run")] if words else [])]

    def words(self) -> str:
        """Say how far it is or how it ended; empty where none was begun."""
        rerun = self._rerun
        if rerun is None or self._said:
            return self._said
        return {
            "at": f"new run, {100 * rerun.share:.0f} %: {rerun.what}",
            "done": f"{rerun.what} is ready: show it by the button in the head of the page",
            "failed": f"the new run failed: {rerun.what}",
            "cancelled": "cancelled; the run that stood is the current one",
        }[rerun.state]
