"""What the clips panel shows of one clip, read from the store and the shown run."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.store.clips import StoredClip
from viewer.library import Library

STRIP = 8
"""Frames of the strip: the sharpest of so many equal stretches of the clip."""

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class ClipFacts:
    """One clip and what the run says of it.

    Attributes
    ----------
    stored
        The clip as imported.
    row
        Its row of the table ``clips``; empty where the run has none.
    focus, sharp, joined
        (n,) score and verdict of each frame looked at; (0,) without a run.
    sharpest
        Number of the sharpest frame; -1 without a run.
    strip
        Numbers of the frames of the strip, in order.
    mosaic
        (rows, cols) grey, 255 = brightest; None where there is none.
    covered
        (rows, cols) where a frame lies; None where there is no mosaic.
    cells_px
        (c, 2) x and y of the cells in the mosaic.
    pattern
        (c,) index of each cell's pattern.
    """

    stored: StoredClip
    row: dict[str, Any]
    focus: NDArray[np.float64]
    sharp: NDArray[np.bool_]
    joined: NDArray[np.bool_]
    sharpest: int
    strip: tuple[int, ...]
    mosaic: Pixels | None
    covered: NDArray[np.bool_] | None
    cells_px: NDArray[np.float64]
    pattern: NDArray[np.int64]


def clip_names(library: Library, disc: str) -> tuple[str, ...]:
    """Names of a disc's clips."""
    return tuple(library.store(disc).clips)


def clip_facts(library: Library, disc: str, clip: str) -> ClipFacts:
    """Read one clip; kept until another run is shown."""
    run = library.run(disc) or ""
    return library.kept(("clip", disc, run, clip), lambda: _read(library, disc, run, clip))


def grey(pixels: NDArray[Any]) -> Pixels:
    """Stretch an image to 0..255 between its 1st and 99.7th percentile; NaN becomes 0."""
    values = pixels[np.isfinite(pixels)] if pixels.dtype.kind == "f" else pixels
    if not values.size:
        return np.zeros(pixels.shape, np.uint8)
    low, high = np.percentile(values, (1.0, 99.7))
    scaled = (np.nan_to_num(pixels.astype(float), nan=low) - low) / max(high - low, 1e-9)
    return np.clip(255.0 * scaled, 0, 255).astype(np.uint8)


def frame_of(library: Library, disc: str, clip: str, number: int) -> Pixels:
    """One frame of a clip, stretched."""
    return grey(np.asarray(library.store(disc).clip_frames(clip)[number]))


def sharpest_of_stretches(score: NDArray[np.float64], stretches: int = STRIP) -> tuple[int, ...]:
    """Give the sharpest frame of each of some equal stretches.

    Examples
    --------
    >>> sharpest_of_stretches(np.array([1.0, 3.0, 2.0, 5.0]), 2)
    (1, 3)
    """
    edges = np.linspace(0, len(score), min(stretches, len(score)) + 1).astype(int)
    return tuple(int(low + np.argmax(score[low:high])) for low, high in pairwise(edges))


def _read(library: Library, disc: str, run: str, clip: str) -> ClipFacts:
    store = library.store(disc)
    stored = store.clips[clip]
    detail: dict[str, Any] = {}
    row: dict[str, Any] = {}
    if run:
        table = library.table(disc, "clips")
        rows = table[table["clip"] == clip].to_dict("records")
        row = {str(k): None if pd.isna(v) else v for k, v in rows[0].items()} if rows else {}
        detail = store.detail(f"clips/{clip}", run) if rows else {}
    focus = np.asarray(detail.get("focus", np.empty(0)), float)
    mosaic = detail.get("mosaic")
    origin = np.column_stack(
        [detail.get("cell_x_um", np.empty(0)), detail.get("cell_y_um", np.empty(0))]
    )
    return ClipFacts(
        stored=stored,
        row=row,
        focus=focus,
        sharp=np.asarray(detail.get("sharp", np.empty(0)), bool),
        joined=np.isfinite(detail["place_px"][:, 0]) if detail else np.empty(0, bool),
        sharpest=int(np.argmax(focus)) if len(focus) else -1,
        strip=sharpest_of_stretches(focus if len(focus) else np.zeros(stored.frames)),
        mosaic=None if mosaic is None else grey(mosaic),
        covered=None if mosaic is None else np.isfinite(mosaic),
        cells_px=origin / (stored.pixel_um or 1.0),
        pattern=np.asarray(detail.get("cell_pattern", np.empty(0)), np.int64),
    )
