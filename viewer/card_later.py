"""Work that follows a hand: of many wishes in quick succession only the latest is carried out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from panel.io import hold

PAUSE_MS = 15


class Latest:
    """Carries out one piece of work at a time, never twice for what came meanwhile.

    Parameters
    ----------
    work
        What is done; it reads the newest wish itself.
    """

    def __init__(self, work: Callable[[], None]) -> None:
        self._work = work
        self._waiting = False

    def ask(self, document: Any) -> None:
        """Have it done soon; at once where there is no page."""
        if document is None:
            self._work()
        elif not self._waiting:
            self._waiting = True
            document.add_timeout_callback(self._go, PAUSE_MS)

    def _go(self) -> None:
        self._waiting = False
        with hold():
            self._work()
