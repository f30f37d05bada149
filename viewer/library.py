"""The opened stores and what has been read from them, shared by all sessions of one process.

What is handed out is shared: treat it as read only. Every entry is kept under (disc, run, name), so
a new current run is never mixed with an older one.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import suppress
from copy import copy
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import Any

import numpy as np
import pandas as pd

from engine.errors import SplendensError
from engine.store import ALL_TABLES, DiscStore, open_store
from engine.store.schema import column

LOOK_EVERY_S = 3.0
"""How often, per process, the store is asked which run is current."""
_NO_RUN = "none"
KEPT = 256
"""Entries kept per process; a detail of a site is a few megabytes."""


class Library:
    """The discs that are open.

    Parameters
    ----------
    stores
        Opened stores (`engine.store.open_store`), in the order in which they are shown.

    Raises
    ------
    SplendensError
        If there is none, or if two have the same disc id.
    """

    def __init__(self, stores: Sequence[DiscStore]) -> None:
        if not stores:
            raise SplendensError("no store given: name at least one")
        self._stores = {store.disc: store for store in stores}
        if len(self._stores) < len(stores):
            ids = ", ".join(store.disc for store in stores)
            raise SplendensError(f"two stores hold the same disc id; found {ids}")
        self._kept: OrderedDict[tuple[str, ...], Any] = OrderedDict()
        self._framed: dict[tuple[str, str], DiscStore] = {}
        self._lock = Lock()
        self._pinned: dict[str, str | None] = {}
        self._pointers: dict[str, tuple[float, str | None]] = {}

    @classmethod
    def open(cls, paths: Sequence[Path]) -> Library:
        """Open stores by their paths.

        Raises
        ------
        SplendensError
            If a path is no store that can be read.
        """
        return cls([open_store(path) for path in paths])

    @property
    def discs(self) -> tuple[str, ...]:
        """Ids of the discs, in order."""
        return tuple(self._stores)

    def store(self, disc: str) -> DiscStore:
        """Return the store of a disc, with the frame of the run that is shown.

        Raises
        ------
        SplendensError
            If that disc is not open.
        """
        store = self._opened(disc)
        run = self.run(disc)
        key = (disc, run or "")
        if key not in self._framed:
            self._framed[key] = store.for_run(run)
        return self._framed[key]

    def _opened(self, disc: str) -> DiscStore:
        if disc not in self._stores:
            raise SplendensError(f"disc {disc!r} is not open; open are {', '.join(self.discs)}")
        return self._stores[disc]

    def run(self, disc: str) -> str | None:
        """Return the run that is shown of a disc; None where it was never analysed.

        It is the current one, unless this library was pinned to another.
        """
        if disc in self._pinned:
            return self._pinned[disc]
        return self._opened(disc).current_run

    @property
    def runs(self) -> str:
        """The runs of all discs as one text, which `pinned` reads."""
        return "~".join(self.run(disc) or _NO_RUN for disc in self.discs)

    def pinned(self, runs: str | None = None) -> Library:
        """Return a library that shares all that is kept and stays with its runs.

        A session and its pictures go on showing one run while another becomes current.

        Parameters
        ----------
        runs
            As `runs` wrote it; what is missing or no longer there is the current run.
        """
        other = copy(self)
        wanted = dict(zip(self.discs, (runs or "").split("~"), strict=False))
        other._pinned = {disc: self._run_named(disc, wanted.get(disc)) for disc in self.discs}
        return other

    def _run_named(self, disc: str, name: str | None) -> str | None:
        if name == _NO_RUN:
            return None
        store = self._opened(disc)
        return name if name in store.runs else store.current_run

    def newer(self, disc: str) -> str | None:
        """Return a run that became current since; the store is looked at every few seconds only."""
        now = monotonic()
        looked, latest = self._pointers.get(disc, (-LOOK_EVERY_S, None))
        if now - looked >= LOOK_EVERY_S:
            with suppress(OSError, ValueError, KeyError):  # just being replaced: look again later
                latest = self._opened(disc).current_run
            self._pointers[disc] = (now, latest)
        return latest if latest != self.run(disc) else None

    def follow(self, disc: str) -> None:
        """Show the current run of a disc from now on."""
        self._pinned[disc] = self._opened(disc).current_run

    def table(self, disc: str, name: str) -> pd.DataFrame:
        """Return one result table of the current run; without a run, its columns and no row."""
        run = self.run(disc)
        if run is None:
            return pd.DataFrame({c.name: [] for c in ALL_TABLES[name]})
        return self._get((disc, run, "table", name), lambda: self.store(disc).table(name, run=run))

    def sites(self, disc: str | None = None) -> pd.DataFrame:
        """Return the sites table of one disc, or of all that are open, one row a site."""
        if disc is not None:
            return self.table(disc, "sites")
        tables = [table for name in self.discs if len(table := self.table(name, "sites"))]
        if not tables:
            return self.table(self.discs[0], "sites")
        key = tuple(self.run(name) or "" for name in self.discs)
        return self._get(("", *key, "sites"), lambda: pd.concat(tables, ignore_index=True))

    def site_curves(self, disc: str, site: str) -> pd.DataFrame:
        """Return the curves of one site with all fitted parameters; no row where there are none."""
        run = self.run(disc) or ""

        def select() -> pd.DataFrame:
            curves = self.table(disc, "curves")
            return curves[curves["site"] == site].reset_index(drop=True)

        return self._get((disc, run, "site_curves", site), select)

    def detail(self, disc: str, site: str) -> dict[str, Any]:
        """Return what the image analysis left of one site; empty where there is nothing."""
        return self._part(disc, f"sites/{site}")

    def cells_detail(self, disc: str) -> dict[str, Any]:
        """Return links between cells, the tissue's outline, and how cells were found."""
        return self._part(disc, "cells")

    def _part(self, disc: str, part: str) -> dict[str, Any]:
        run = self.run(disc)
        if run is None:
            return {}
        return self._get((disc, run, "part", part), lambda: self.store(disc).detail(part, run=run))

    def quantities(self, disc: str, table: str) -> tuple[str, ...]:
        """Return the numeric columns of a table that hold at least one value on this disc."""
        run = self.run(disc)
        if run is None:
            return ()
        return self._get(
            (disc, run, "quantities", table), lambda: _numeric(self.table(disc, table), table)
        )

    def kept(self, key: tuple[str, ...], make: Callable[[], Any]) -> Any:
        """Return what is kept under a key of the caller's own, made where it is missing."""
        return self._get(("kept", *key), make)

    def _get(self, key: tuple[str, ...], make: Callable[[], Any]) -> Any:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()  # outside the lock: reading takes milliseconds, and twice does no harm
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return made


def _numeric(frame: pd.DataFrame, table: str) -> tuple[str, ...]:
    places = {"x_um", "y_um", "row", "col", "cell", "cell_group", "fibril"}
    places |= {"modulus_depth_share", "modulus_poisson_ratio"}
    names = []
    for name in frame.columns:
        described = column(table, name)
        if name in places or not described.offered or described.kind not in ("number", "count"):
            continue
        if not pd.api.types.is_numeric_dtype(frame[name]):
            continue
        if np.isfinite(frame[name].to_numpy(dtype=float, na_value=np.nan)).any():
            names.append(name)
    return tuple(names)
