"""Clips' results into the table of clips and what a run keeps beside it."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from engine.clips import VERDICTS, ClipAnalysis
from engine.store import DiscStore
from engine.store.runs import RunWriter
from engine.store.schema import FURTHER_TABLES

Columns = dict[str, Any]


def record_clips(run: RunWriter, store: DiscStore, found: Mapping[str, ClipAnalysis]) -> None:
    """Write the table of clips, and what is shown of each, into a run."""
    in_order = {name: found[name] for name in store.clips}
    run.table("clips", clips_table(store, in_order))
    for name, clip in in_order.items():
        run.detail(f"clips/{name}", clip_detail(clip))


def clips_table(store: DiscStore, found: Mapping[str, ClipAnalysis]) -> Columns:
    """Columns of the table ``clips``, one row a clip."""
    rows = [_row(store, name, clip) for name, clip in found.items()]
    columns: Columns = {}
    for column in FURTHER_TABLES["clips"]:
        values = [row[column.name] for row in rows]
        columns[column.name] = np.array(values, dtype=object if column.kind == "text" else float)
    return columns


def _row(store: DiscStore, name: str, found: ClipAnalysis) -> dict[str, Any]:
    pixel_um = store.clips[name].pixel_um
    verdict, focus, mosaic = found.verdict, found.focus, found.mosaic
    area = float("nan")
    if mosaic is not None and pixel_um is not None:
        area = float(np.isfinite(mosaic.image).sum()) * (pixel_um / 1e3) ** 2
    shares = {f"share_{v}": s for v, s in zip(VERDICTS, verdict.shares, strict=True)}
    return {
        "disc": store.disc,
        "clip": name,
        "frames": store.clips[name].frames,
        "frames_sharp": int(focus.sharp.sum()),
        "frames_joined": int(found.path.joined.sum()),
        "sharpest_frame": focus.sharpest,
        "focus_best": float(focus.score.max()),
        "path_residual_px": found.path.residual_px,
        "pixel_um": float("nan") if pixel_um is None else pixel_um,
        "area_mm2": area,
        "cells": len(verdict.x_um) if np.isfinite(verdict.shares).any() else -1,
        "verdict": verdict.verdict,
        "support": verdict.support,
        **shares,
        "reason": verdict.reason,
        "flags": ";".join(found.flags),
    }


def clip_detail(found: ClipAnalysis) -> dict[str, Any]:
    """Arrays that are shown of a clip: focus, places, mosaic, cells."""
    focus, path, mosaic, verdict = found.focus, found.path, found.mosaic, found.verdict
    detail: dict[str, Any] = {
        "focus": focus.score,
        "sharp": focus.sharp,
        "place_px": path.place_px,
        "cell_x_um": verdict.x_um,
        "cell_y_um": verdict.y_um,
        "cell_group": verdict.group,
        "cell_pattern": verdict.pattern,
    }
    if mosaic is not None:
        detail |= {"mosaic": mosaic.image, "mosaic_frames": mosaic.frames}
        detail |= {"origin_px": np.array(mosaic.origin_px)}
    return detail
