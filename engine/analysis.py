"""The one place that joins store and kernels: plans an analysis, runs it, records it."""

import hashlib
import json
import multiprocessing
import os
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from engine import assemble, site_table
from engine.mechanics import CurveFits, pool_noise, summarise_map, systematic_uncertainty, warm_up
from engine.settings import Settings
from engine.site_place import places_of
from engine.store import DiscStore, open_store
from engine.store.provenance import library_versions
from engine.store.runs import RunWriter, as_record, new_run, next_run_name
from engine.store.write import Progress
from engine.tasks import fit_site, outline_of, run_task

_CURVE_SITES_A_TASK = 12
_SMALL_MAP_CURVES = 256


def _silent(_what: str, _share: float) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Outcome:
    """What an analysis came to.

    Attributes
    ----------
    run
        Name of the current run.
    new
        False where an earlier run of the same inputs and settings stood already.
    seconds
        Time taken, in seconds.
    """

    run: str
    new: bool
    seconds: float


def fingerprint(store: DiscStore, settings: Settings) -> str:
    """Digest of what decides a run's numbers: raw data, settings, and versions of the code."""
    parts = {
        "sources": store.info["sources_digest"],
        "settings": settings.model_dump(mode="json"),
        "versions": library_versions(),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def analyse_store(
    store: Path | str,
    settings: Settings | None = None,
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> Outcome:
    """Compute every table of a store from its raw data, as a new current run.

    Parameters
    ----------
    store
        The store's folder.
    settings
        All settings; the defaults if None.
    workers
        Processes to work with; 1 works in this one.
    progress
        Told what is done and how far it is.

    Raises
    ------
    SplendensError
        If there is no store.
    """
    begun = time.monotonic()
    settings = settings or Settings()
    opened = open_store(store)
    mark = fingerprint(opened, settings)
    current = opened.current_run
    if current is not None and opened.run_info(current)["fingerprint"] == mark:
        return Outcome(current, False, time.monotonic() - begun)
    started = datetime.now(UTC).isoformat(timespec="seconds")
    results = _compute(opened, settings, workers, progress or _silent)
    name = next_run_name(opened)
    with new_run(opened, name) as run:
        _record(run, opened, settings, results)
        run.note(
            {
                "settings": settings.model_dump(mode="json"),
                "versions": library_versions(),
                "sources_digest": opened.info["sources_digest"],
                "fingerprint": mark,
                "started": started,
                "finished": datetime.now(UTC).isoformat(timespec="seconds"),
            }
        )
    return Outcome(name, True, time.monotonic() - begun)


@dataclass(frozen=True)
class _Task:
    kind: str
    sites: tuple[str, ...]
    weight: float

    @property
    def title(self) -> str:
        return f"{self.kind} {self.sites[0]}" if self.sites else self.kind


def _plan(store: DiscStore) -> list[_Task]:
    """Break the work into pieces, the longest first, so that no worker waits for one at the end."""
    tasks = [] if store.mosaic is None else [_Task("cells", (), 12.0)]
    large = [s.site for s in store.sites.values() if s.rows * s.cols > _SMALL_MAP_CURVES]
    small = [s.site for s in store.sites.values() if s.has_curves and s.site not in large]
    images = [s.site for s in store.sites.values() if s.has_height]
    tasks += [_Task("network", (name,), 1.5) for name in images]
    # curves last: by then their compiled code lies in the cache (see _run_tasks)
    tasks += [_Task("curves", (name,), 3.0) for name in large]
    for start in range(0, len(small), _CURVE_SITES_A_TASK):
        tasks.append(_Task("curves", tuple(small[start : start + _CURVE_SITES_A_TASK]), 0.5))
    return tasks


def _compute(
    store: DiscStore, settings: Settings, workers: int, tell: Progress
) -> dict[str, dict[str, Any]]:
    """Results by kind and site (cells under the empty name)."""
    tasks = _plan(store)
    total, done = sum(t.weight for t in tasks), 0.0
    results: dict[str, dict[str, Any]] = {"cells": {}, "curves": {}, "network": {}}
    for task, result in _run_tasks(store.path, settings, tasks, workers):
        if task.kind == "cells":
            results["cells"][""] = assemble.Cells(*result)
        else:
            results[task.kind] |= dict(zip(task.sites, result, strict=True))
        done += task.weight
        tell(task.title, 0.95 * done / total)
    results["curves"] |= _with_pooled_noise(store, settings, results["curves"])
    return results


def _with_pooled_noise(
    store: DiscStore, settings: Settings, fits: dict[str, CurveFits]
) -> dict[str, CurveFits]:
    """Fit the small maps again, now that the noise of all maps of their probe is known.

    A map of few curves can't tell its own 1/f noise well; the moduli stay the same, their standard
    errors get steadier.
    """
    probes = {name: store.sites[name].probe for name in fits}
    pooled = {
        probe: pool_noise([fits[name].noise for name in fits if probes[name] == probe])
        for probe in set(probes.values())
    }
    small = [name for name in fits if len(fits[name].flags) <= _SMALL_MAP_CURVES]
    return {name: fit_site(store, name, settings, pooled[probes[name]]) for name in small}


def _run_tasks(
    path: Path, settings: Settings, tasks: list[_Task], workers: int
) -> Iterator[tuple[_Task, Any]]:
    if workers == 1 or len(tasks) < 2:
        for task in tasks:
            yield task, run_task(path, task.kind, task.sites, settings)
        return
    with _one_thread_each():
        # spawn, never fork: a forked child of a process with threads can hang
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=context) as pool:
            waiting: dict[Future[Any], _Task] = {
                pool.submit(run_task, path, t.kind, t.sites, settings): t for t in tasks
            }
            try:
                if any(task.kind == "curves" for task in tasks):
                    warm_up()  # compiled once here, not once in every worker
                while waiting:
                    finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in finished:
                        yield waiting.pop(future), future.result()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let workers of their own start with one thread for linear algebra each."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _record(
    run: RunWriter, store: DiscStore, settings: Settings, results: dict[str, dict[str, Any]]
) -> None:
    """Write tables and details of all results."""
    cells: assemble.Cells | None = results["cells"].get("")
    in_order = list(store.sites)
    fits = {name: results["curves"][name] for name in in_order if name in results["curves"]}
    networks = {name: results["network"][name] for name in in_order if name in results["network"]}
    outline_um = outline_of(store, settings)
    centres = np.array([s.footprint.centre_um for s in store.sites.values()])
    windows = site_table.windows_of(centres, cells, settings.cells)
    places = places_of(store, cells, windows, settings.cells)
    moduli = {name: summarise_map(fit, settings.mechanics) for name, fit in fits.items()}
    systematic = {name: _shared_uncertainty(store, name, fit) for name, fit in fits.items()}
    run.table("curves", assemble.curves_table(store, fits))
    run.table("fibrils", assemble.fibrils_table(store, networks))
    run.table("cells", assemble.cells_table(store.disc, cells))
    run.table("cell_groups", assemble.cell_groups_table(store.disc, cells))
    run.table(
        "sites",
        site_table.sites_table(store, moduli, systematic, networks, windows, outline_um, places),
    )
    detail: dict[str, Any] = {"outline_um": outline_um}
    if cells is not None:
        detail |= {"edges": cells.graph.edges, "spacing_um": float(cells.graph.spacing_um)}
        detail |= {"method": cells.found.method, "note": cells.found.note}
    run.detail("cells", detail)
    for name, network in networks.items():
        run.detail(f"sites/{name}", as_record(network))


def _shared_uncertainty(store: DiscStore, site: str, fit: Any) -> float:
    probe = store.info["probes"][store.sites[site].probe]
    return float(
        systematic_uncertainty(fit, spring_constant_rel_sd=probe.get("spring_constant_rel_sd"))
    )
