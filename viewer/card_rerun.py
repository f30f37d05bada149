"""Use a trial's settings for the whole disc: a new run is computed in a process of its own.

The run that stands stays current, and shown, until the new one is written whole.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from html import escape
from pathlib import Path
from queue import Empty
from typing import Any

import panel as pn
from pydantic import ValidationError

from engine.settings import Settings, settings_of
from engine.store import open_store
from viewer.card_facts import SiteFacts
from viewer.card_figures import Look
from viewer.card_parts import push_button, text_pane
from viewer.card_trial_facts import Trial, as_stored, trial_settings

_LOOK_EVERY_MS = 400


def settings_for(path: Path, site: SiteFacts, trial: Trial) -> tuple[Settings | None, str]:
    """Write a trial into the settings of the site's run, for the site's probe.

    Parameters
    ----------
    path, site, trial
        The store's folder, the site and what is tried.

    Returns
    -------
    settings
        The run's settings with the trial's in their place; None where they cannot be given.
    words
        What they would do, or why they cannot be given; empty where nothing is changed.
    """
    if trial == as_stored(site):
        return None, ""
    if trial.contact != "fitted":
        return None, (
            "For this map only: a run always fits the contact, because a threshold reads it late "
            "and knows no error of it."
        )
    found = open_store(path).run_info(site.run)["settings"]
    try:
        settings = settings_of(found)
    except ValidationError:
        return None, f"{site.run} was made with settings of another version."
    tried = trial_settings(site, settings.mechanics, trial)
    return settings.model_copy(update={"mechanics": tried}), (
        f"For the whole disc means for every map of the probe {site.stored.probe}, as a new run."
    )


def _analyse(path: str, settings: Settings, tell: Any, reuse: bool) -> None:
    """Run in the process of its own."""
    from engine.analysis import analyse_store
    from engine.errors import SplendensError

    try:
        outcome = analyse_store(
            path, settings, progress=lambda what, share: tell.put(("at", what, share)), reuse=reuse
        )
    except (SplendensError, ValueError, OSError) as error:
        tell.put(("failed", str(error), 0.0))
    else:
        tell.put(("done", outcome.run, 1.0))


class Rerun:
    """One analysis in the background.

    Parameters
    ----------
    path, settings
        The store's folder, and all settings of the new run.
    reuse
        Take curves and images over from an earlier run, if one has them.
    """

    def __init__(self, path: Path, settings: Settings, reuse: bool = False) -> None:
        # spawned, so that the page's threads and locks are not copied
        context = multiprocessing.get_context("spawn")
        self._said: Any = context.Queue()
        self._process = context.Process(
            target=_analyse, args=(str(path), settings, self._said, reuse), daemon=True
        )
        self._process.start()
        self.state, self.what, self.share = "at", "starting", 0.0

    def look(self) -> bool:
        """Hear what it has to say; tells whether it still works."""
        while self.state == "at":
            try:
                self.state, self.what, self.share = self._said.get_nowait()
            except Empty:
                break
        if self.state == "at" and not self._process.is_alive() and self._said.empty():
            self.state, self.what = "failed", "the process ended without a word"
        return self.state == "at"

    def cancel(self) -> None:
        """Stop it; what it has written aside is swept with the next run."""
        if self.look():
            self._process.terminate()
            self._process.join(5)
            self.state, self.what = "cancelled", ""


class RerunLine:
    """Two buttons and a line that says how far the new run is."""

    def __init__(self, look: Look) -> None:
        self._rerun: Rerun | None = None
        self._wish: tuple[Path, Settings] | None = None
        self._poll: Any = None
        self._start = push_button(look, "use for the whole disc", self.start)
        self._cancel = push_button(look, "cancel", self.cancel)
        self._start.disabled, self._cancel.visible = True, False
        self.buttons = (self._start, self._cancel)
        self.text = text_pane(look)

    def offer(self, path: Path, site: SiteFacts, trial: Trial) -> None:
        """Offer a trial's settings for the whole disc, or say why they cannot be used there."""
        settings, words = settings_for(path, site, trial)
        self._wish = None if settings is None else (path, settings)
        working = self._rerun is not None and self._rerun.look()
        self._start.disabled = settings is None or working
        if not working:
            self.text.object = f'<p class="quiet">{escape(words)}</p>' if words else ""

    def start(self) -> None:
        """Start the new run."""
        if self._wish is None or (self._rerun is not None and self._rerun.look()):
            return
        self._rerun = Rerun(*self._wish)
        self._start.disabled, self._cancel.visible = True, True
        self._say()
        if pn.state.curdoc is not None:
            self._poll = pn.state.add_periodic_callback(self._say, _LOOK_EVERY_MS)

    def cancel(self) -> None:
        """Stop the new run; the one that stands stays."""
        if self._rerun is not None:
            self._rerun.cancel()
            self._say()

    def _say(self) -> None:
        rerun = self._rerun
        if rerun is None:
            return
        working = rerun.look()
        words: dict[str, Callable[[], str]] = {
            "at": lambda: f"New run, {100 * rerun.share:.0f} %: {rerun.what}. You can go on.",
            "done": lambda: (
                f"{rerun.what} is ready: the top of the page offers to show it. Until then what "
                "is shown stays."
            ),
            "failed": lambda: f"The new run failed: {rerun.what}.",
            "cancelled": lambda: "Cancelled. The run that stood is the current one.",
        }
        self.text.object = f"<p>{escape(words[rerun.state]())}</p>"
        if not working:
            self._start.disabled, self._cancel.visible = self._wish is None, False
            if self._poll is not None:
                self._poll.stop()
                self._poll = None
