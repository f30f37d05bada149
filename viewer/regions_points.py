"""Point statistics of the brushed regions, worked out beside the page.

Nothing of Panel; the statistics are those of `engine.cells.arrangement`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.cells import (
    Clustering,
    Neighbours,
    RegionWindow,
    clustering,
    neighbours,
    region_window,
)
from viewer.library import Library
from viewer.regions_data import cells_of, numbers_of
from viewer.state import Region

POINTS = "cells.points"
"""The choice that shows how the cells of a region lie to each other."""

_WORKER = ThreadPoolExecutor(1, thread_name_prefix="point-statistics")
"""One for all sessions: two brushes must not take both cores from the pictures."""

_Key = tuple[Region, str]


@dataclass(frozen=True)
class PointNumbers:
    """Point statistics of one region, as far as they are known.

    Attributes
    ----------
    neighbours
        Density, nearest neighbours, direction; None while it is being worked out.
    clustering
        Pairs at every distance; None while it is, or where there are too few cells.
    waiting
        Whether something is still being worked out.
    problem
        Why there is nothing; empty where there is.
    """

    neighbours: Neighbours | None = None
    clustering: Clustering | None = None
    waiting: bool = True
    problem: str = ""


class PointCounter:
    """Works point statistics out in another thread, and keeps those of regions still drawn.

    Parameters
    ----------
    library
        The open discs.
    told
        Called, in that other thread, whenever more is known.
    """

    def __init__(self, library: Library, told: Callable[[], None]) -> None:
        self._library, self._told = library, told
        self._known: dict[_Key, PointNumbers] = {}
        self._asked: dict[_Key, Future[None]] = {}
        self._lock = threading.Lock()

    def found(self, regions: Mapping[str, Region]) -> dict[str, PointNumbers]:
        """Return what is known of each region, and ask for what is not.

        Parameters
        ----------
        regions
            Letter to region; those on a disc that is not open are left out.
        """
        open_discs = self._library.discs
        keys = {
            letter: (region, self._library.run(region.disc) or "")
            for letter, region in regions.items()
            if region.disc in open_discs
        }
        with self._lock:
            for key in set(self._asked) - set(keys.values()):
                self._asked.pop(key).cancel()
                self._known.pop(key, None)
            for key in keys.values():
                if key not in self._asked:
                    self._known[key] = PointNumbers()
                    self._asked[key] = _WORKER.submit(self._work, key)
            return {letter: self._known[key] for letter, key in keys.items()}

    def wait(self, seconds: float) -> None:
        """Wait until all that was asked for is known.

        Raises
        ------
        TimeoutError
            If it takes longer.
        """
        while any(numbers.waiting for numbers in self._known.values()):
            for future in list(self._asked.values()):
                future.result(seconds)

    def _work(self, key: _Key) -> None:
        """Tell what comes at once; the rest waits until every region has that much."""
        try:
            window = region_window(key[0].polygon_um)
            xy_um, pattern = cells_of(self._library, key[0].disc)
            group, angle = groups_of(self._library, key[0].disc)
            first = neighbours(xy_um, group, pattern, angle, window)
        except ValueError as error:
            self._keep(key, PointNumbers(waiting=False, problem=str(error)))
            return
        with self._lock:
            if key in self._asked:
                self._asked[key] = _WORKER.submit(self._rest, key, xy_um, window, first)
        self._keep(key, PointNumbers(first))

    def _rest(
        self, key: _Key, xy_um: NDArray[np.float64], window: RegionWindow, first: Neighbours
    ) -> None:
        self._keep(key, PointNumbers(first, clustering(xy_um, window), waiting=False))

    def _keep(self, key: _Key, numbers: PointNumbers) -> None:
        """Keep numbers and tell, unless nobody asks for them any more."""
        with self._lock:
            wanted = key in self._known
            if wanted:
                self._known[key] = numbers
        if wanted:
            self._told()


def groups_of(library: Library, disc: str) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the group of each cell of a disc and that group's axis in degrees, made once a run."""

    def make() -> tuple[NDArray[Any], NDArray[np.float64]]:
        cells, groups = library.table(disc, "cells"), library.table(disc, "cell_groups")
        group = cells["cell_group"].fillna(-1).to_numpy().astype(np.int64)
        group = np.where(group < 0, -1 - np.arange(len(group)), group)  # of no group: by itself
        number = numbers_of(groups, "cell_group")
        axis = dict(zip(number.tolist(), numbers_of(groups, "angle_deg").tolist(), strict=True))
        angle = np.array([axis.get(float(g), np.nan) for g in group], dtype=np.float64)
        group.flags.writeable = angle.flags.writeable = False  # shared by all sessions
        return group, angle

    return library.kept((disc, library.run(disc) or "", "groups of cells"), make)
