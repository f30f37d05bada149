"""The one place that joins store and kernels: plans an analysis, runs it, records it."""

import hashlib
import json
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from engine import assemble, by_hand, site_table
from engine.assumptions import assumptions, check_probe_settings
from engine.cells_record import cells_detail, record_fields, stains_of
from engine.clips_record import record_clips
from engine.map_tables import maps_of
from engine.mechanics import CurveFits, pool_noise, summarise_map
from engine.pieces import Ask, Piece, run_pieces
from engine.record_maps import record_maps
from engine.reuse import measured_mark, reusable_run, sites_again, take_over
from engine.settings import Settings
from engine.site_place import places_of
from engine.store import DiscStore, open_store
from engine.store.provenance import library_versions
from engine.store.runs import RunWriter, as_record, new_run, next_run_name
from engine.store.write import Progress
from engine.tasks import fit_site, outline_of

_CURVE_SITES_A_TASK = 12
_SMALL_MAP_CURVES = 256
_WEIGHT_A_CURVE = 3e-5


def _silent(_what: str, _share: float) -> None:
    """Tell nobody."""


def _never() -> bool:
    """Nobody stops it."""
    return False


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
        **by_hand.marks(store.path, settings),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def analyse_store(
    store: Path | str,
    settings: Settings | None = None,
    *,
    workers: int = 1,
    progress: Progress | None = None,
    cancelled: Ask | None = None,
    reuse: bool = False,
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
        Told what is done and how far it is, within a large site too.
    cancelled
        Asked again and again; true ends the analysis with `Cancelled`, the store as it was.
    reuse
        Take curves and images over from an earlier run of the same measurements and settings, if
        there is one: the numbers are the same, and only cells and places are worked out.

    Raises
    ------
    SplendensError
        If there is no store; if settings do not go with its probes; if it was cancelled.
    """
    begun = time.monotonic()
    settings = settings or Settings()
    opened = open_store(store)
    _check_probes(opened, settings)
    mark = fingerprint(opened, settings)
    current = opened.current_run
    if current is not None and opened.run_info(current)["fingerprint"] == mark:
        return Outcome(current, False, time.monotonic() - begun)
    started = datetime.now(UTC).isoformat(timespec="seconds")
    measured = measured_mark(opened, settings)
    base = reusable_run(opened, measured) if reuse else None
    frame = by_hand.frame_record(opened, settings)
    opened = by_hand.reframed(opened, settings)
    name = next_run_name(opened)
    with new_run(opened, name) as run:
        tell, ask = progress or _silent, cancelled or _never
        results = _compute(opened, settings, workers, tell, ask, run.folder, base)
        _record(run, opened, settings, results, base)
        run.note(
            {
                "settings": settings.model_dump(mode="json"),
                "versions": library_versions(),
                "sources_digest": opened.info["sources_digest"],
                "probes": _assumed(opened, settings),
                "fingerprint": mark,
                "measured": measured,
                "taken_over_from": base or "",
                **frame,
                **by_hand.corrections_record(opened.path, settings),
                "started": started,
                "finished": datetime.now(UTC).isoformat(timespec="seconds"),
            }
        )
    return Outcome(name, True, time.monotonic() - begun)


def _check_probes(store: DiscStore, settings: Settings) -> None:
    used = {site.probe for site in store.sites.values() if site.has_curves}
    check_probe_settings(store.info["probes"], store.info["sample"], used, settings.mechanics)


def _assumed(store: DiscStore, settings: Settings) -> dict[str, dict[str, Any]]:
    """Give what was assumed of every probe that took curves, to be kept with the run."""
    used = sorted({site.probe for site in store.sites.values() if site.has_curves})
    info = store.info
    return {
        name: assumptions(info["probes"][name], info["sample"], settings.mechanics, name).record()
        for name in used
    }


def _plan(store: DiscStore, workers: int, run: Path) -> list[Piece]:
    """Break the work into pieces, the longest first, so that no worker waits for one at the end."""
    pieces = [] if store.mosaic is None else [Piece("cells", (), 12.0, run=run)]
    large = [s for s in store.sites.values() if s.rows * s.cols > _SMALL_MAP_CURVES]
    names = {s.site for s in large}
    small = [s.site for s in store.sites.values() if s.has_curves and s.site not in names]
    images = [s.site for s in store.sites.values() if s.has_height]
    pieces += [Piece("clips", (name,), 3.0) for name in store.clips]
    pieces += [Piece("network", (name,), 1.5) for name in images]
    # curves last: by then their compiled code lies in the cache
    threads = 1 if len(large) >= workers else workers
    for site in sorted(large, key=lambda s: -s.rows * s.cols):
        weight = max(3.0, site.rows * site.cols * _WEIGHT_A_CURVE)
        pieces.append(Piece("curves", (site.site,), weight, threads))
    for start in range(0, len(small), _CURVE_SITES_A_TASK):
        pieces.append(Piece("curves", tuple(small[start : start + _CURVE_SITES_A_TASK]), 0.5))
    return pieces


def _compute(
    store: DiscStore,
    settings: Settings,
    workers: int,
    tell: Progress,
    cancelled: Ask,
    run: Path,
    base: str | None,
) -> dict[str, dict[str, Any]]:
    """Results by kind and site (cells under the empty name); of images with a ``base``."""
    kinds = ("cells", "clips", "curves", "asides", "network")
    results: dict[str, dict[str, Any]] = {kind: {} for kind in kinds}
    again = ("cells", "clips")
    pieces = [p for p in _plan(store, workers, run) if base is None or p.kind in again]

    def tell_share(what: str, share: float) -> None:
        tell(what, 0.95 * share)

    for piece, result in run_pieces(store.path, settings, pieces, workers, tell_share, cancelled):
        if piece.kind == "cells":
            results["cells"][""] = assemble.Cells(*result)
        elif piece.kind == "curves":
            for site, (fit, aside) in zip(piece.sites, result, strict=True):
                results["curves"][site], results["asides"][site] = fit, aside
        else:
            results[piece.kind] |= dict(zip(piece.sites, result, strict=True))
    results["curves"] |= _with_pooled_noise(store, settings, results["curves"], cancelled)
    return results


def _with_pooled_noise(
    store: DiscStore, settings: Settings, fits: dict[str, CurveFits], cancelled: Ask
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
    return {
        name: fit_site(store, name, settings, pooled[probes[name]], cancelled=cancelled)
        for name in small
    }


def _record(
    run: RunWriter,
    store: DiscStore,
    settings: Settings,
    results: dict[str, dict[str, Any]],
    base: str | None,
) -> None:
    """Write tables and details of all results; curves and images from ``base`` if given."""
    cells: assemble.Cells | None = results["cells"].get("")
    outline_um = outline_of(store, settings)
    centres = np.array([s.footprint.centre_um for s in store.sites.values()])
    windows = site_table.windows_of(centres, cells, settings.cells)
    places = places_of(store, cells, windows, settings.cells)
    run.table("cells", assemble.cells_table(store.disc, cells, store.info["channels"]))
    run.table("cell_groups", assemble.cell_groups_table(store.disc, cells))
    stains = stains_of(store, centres, windows, cells, outline_um, settings)
    run.detail("cells", cells_detail(cells, outline_um, stains))
    record_fields(run, store, cells, outline_um, settings)
    record_clips(run, store, results["clips"])
    if base is not None:
        take_over(run, store, base)
        sites_again(run, store, base, windows, outline_um, places, stains)
        return
    in_order = list(store.sites)
    fits = {name: results["curves"][name] for name in in_order if name in results["curves"]}
    networks = {name: results["network"][name] for name in in_order if name in results["network"]}
    moduli = {name: summarise_map(fit, settings.mechanics) for name, fit in fits.items()}
    judged = maps_of(store, fits, results["asides"], settings.mechanics)
    run.table("curves", assemble.curves_table(store, fits, results["asides"]))
    for name, columns in judged.tables.items():
        run.table(name, columns)
    run.table("fibrils", assemble.fibrils_table(store, networks))
    maps, map_flags = record_maps(run, store, settings, fits, networks)
    said = {name: (*judged.flags[name], *map_flags.get(name, ())) for name in fits}
    sites = site_table.sites_table(
        store, moduli, judged.systematic, networks, windows, outline_um, places, stains, said
    )
    run.table("sites", sites | maps | judged.columns | assemble.assumed_columns(store, fits))
    for name, network in networks.items():
        run.detail(f"sites/{name}", as_record(network))
