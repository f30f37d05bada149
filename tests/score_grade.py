"""Accuracy of the grade on simulated positions: `python tests/score_grade.py [--seeds 900 901 …]`.

With `--truth FOLDER` the cells of a disc with truth (its cells.csv) are disturbed instead. Else
five densities, three levels of disturbance, seeds that no threshold was chosen on. Rules were
chosen on seeds 200 to 203, 300 to 302 and 310 to 313. Exit status 1 if a bar is missed.
"""

import argparse
import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from cells_simulator import Scene, make_scene
from numpy.typing import NDArray

from engine.cells import (
    PATTERNS,
    CellsSettings,
    grade_groups,
    grade_windows,
    neighbour_graph,
)

Row = tuple[str, float, str, bool]

SEEDS = (900, 901, 902, 903)

LEVELS = {
    "clean": (0.0, 0.0, 0.0),
    "1 um, 8 % missed, 2 % false": (1.0, 0.08, 0.02),
    "2 um, 15 % missed, 4 % false": (2.0, 0.15, 0.04),
}
"""Jitter of positions in um, share missed, share of false cells among those found."""

TISSUES = (
    (10.5, 26.0, 500),
    (10.5, 24.0, 2500),
    (9.0, 21.0, 1500),
    (12.0, 30.0, 900),
    (14.0, 30, 900),
)
"""Spacing within groups and gap between them in um, and how many groups are tried."""

BARS = {
    "clean": (0.95, None),
    **dict(zip(list(LEVELS)[1:], ((0.92, 0.1), (0.82, 0.2)), strict=True)),
}
"""Balanced accuracy over cells at least, mean absolute error of the index at most."""

EDGES = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""Of the confidence classes."""


@dataclass(frozen=True)
class Graded:
    """One disturbed scene: true and given pattern, confidence of known cells; windows' index.

    ``index_best`` is what a faultless grade of the disturbed cells would give, false ones diffuse.
    """

    true: NDArray[np.int64]
    said: NDArray[np.int64]
    sure: NDArray[np.float64]
    index_true: NDArray[np.float64]
    index_said: NDArray[np.float64]
    index_best: NDArray[np.float64]


def scene_of(truth):
    """Cells of a truth folder, from the smallest x and y on."""
    cells = pd.read_csv(truth / "cells.csv")
    xy = cells[["x_um", "y_um"]].to_numpy()
    pattern = cells["pattern"].map({name: i for i, name in enumerate(PATTERNS)}).to_numpy()
    return Scene(xy - xy.min(axis=0), cells["group"].to_numpy(), pattern, float(np.ptp(xy)))


def _bounds(scene):
    return 0.083 * scene.size_um, 0.917 * scene.size_um


def disturbed(scene, seed, jitter_um, missed, false):
    """Positions as a detection might give them, and their true patterns (-1: a false cell)."""
    rng = np.random.default_rng(seed)
    kept = rng.random(len(scene.xy_um)) >= missed
    moved = scene.xy_um[kept] + rng.normal(0, jitter_um, (kept.sum(), 2))
    extra = rng.uniform(*_bounds(scene), (round(false * len(moved)), 2))
    return np.vstack([moved, extra]), np.append(scene.pattern[kept], np.full(len(extra), -1))


def true_index(centres, xy, pattern, settings):
    """Index of the undisturbed cells in the same windows, by counting."""
    out = np.full(len(centres), np.nan)
    for i, centre in enumerate(centres):
        for side in settings.windows.sides_um:
            held = (np.abs(xy - centre) <= side / 2).all(axis=1)
            if held.sum() >= settings.windows.cells_min:
                out[i] = pattern[held].mean()
                break
    return out


def graded(tissue, level, seed, settings):
    """Grade one scene; windows at 150 places inside it."""
    scene = tissue
    if not isinstance(tissue, Scene):
        spacing, gap, tries = tissue
        scene = make_scene(seed, spacing_um=spacing, gap_um=gap, tries=tries)
    xy, true = disturbed(scene, seed, *LEVELS[level])
    graph = neighbour_graph(xy, settings)
    grades = grade_groups(xy, graph, settings)
    rng = np.random.default_rng(seed + 77)
    radius, turn = 0.35 * scene.size_um * np.sqrt(rng.random(150)), rng.uniform(0, 2 * np.pi, 150)
    around = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    centres = 0.5 * scene.size_um + around
    known = true >= 0
    return Graded(
        true[known],
        grades.cell_pattern[known],
        grades.cell_confidence[known],
        true_index(centres, scene.xy_um, scene.pattern, settings),
        grade_windows(centres, xy, graph, grades, settings).index,
        true_index(centres, xy, np.where(known, true, PATTERNS.index("diffuse")), settings),
    )


def right_by_class(true, said):
    """Share of the cells of each true pattern that is said right, (5,)."""
    return np.array([(said[true == k] == k).mean() for k in range(len(PATTERNS))])


def _joined(parts, name):
    return np.concatenate([getattr(part, name) for part in parts])


def level_rows(level, parts, tissues):
    """Rows of one level: pooled over tissues, and the worst tissue."""
    bar, index_bar = BARS[level]
    by_class = right_by_class(_joined(parts, "true"), _joined(parts, "said"))
    worst = min(
        right_by_class(_joined(some, "true"), _joined(some, "said")).mean() for some in tissues
    )
    off = _joined(parts, "index_said") - _joined(parts, "index_true")
    error, bias = float(np.nanmean(np.abs(off))), float(np.nanmean(off))
    good = by_class.mean() >= bar
    rows: list[Row] = [(f"{level}: balanced accuracy", by_class.mean(), f">= {bar}", good)]
    rows += [(f"{level}:   {n}", v, "", True) for n, v in zip(PATTERNS, by_class, strict=True)]
    rows.append((f"{level}:   worst tissue", worst, "reported", True))
    near = index_bar is None or error <= index_bar
    bar_said = "reported" if index_bar is None else f"<= {index_bar}"
    rows.append((f"{level}: index, mean |error|", error, bar_said, near))
    rows.append((f"{level}: index, bias", bias, "reported", True))
    best = float(np.nanmean(np.abs(_joined(parts, "index_best") - _joined(parts, "index_true"))))
    rows.append((f"{level}: index, mean |error| of a faultless grade", best, "reported", True))
    return rows


def calibration(parts):
    """Rows: share of cells graded right in each class of confidence, and how many."""
    right = _joined(parts, "true") == _joined(parts, "said")
    sure = _joined(parts, "sure")
    rows = []
    for low, high in pairwise(EDGES):
        held = (sure >= low) & ((sure < high) | (high == 1.0))
        share = right[held].mean() if held.any() else np.nan
        rows.append((low, high, int(held.sum()), float(share), float(sure[held].mean())))
    return rows


def main() -> int:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=SEEDS)
    parser.add_argument("--truth", type=Path)
    asked = parser.parse_args()
    seeds, from_truth = asked.seeds, asked.truth is not None
    chosen = (scene_of(asked.truth),) if from_truth else TISSUES
    settings, missed = CellsSettings(), False
    for level in LEVELS:
        tissues = [[graded(t, level, seed, settings) for seed in seeds] for t in chosen]
        parts = [part for some in tissues for part in some]
        for name, value, bar, reached in level_rows(level, parts, tissues):
            missed |= not reached
            print(f"{name:66s} {value:7.3f}  {bar:10s} {'' if reached else 'MISSED'}")
        print(f"{'confidence':>18s} {'cells':>7s} {'right':>7s} {'said':>7s}")
        for low, high, count, share, said in calibration(parts):
            print(f"{low:8.1f} to {high:.1f}   {count:7d} {share:7.3f} {said:7.3f}")
        print()
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
