"""Discs as tables only, for the tray: what lies where, and how large it is, is known."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from engine.store import TABLES
from viewer.library import Library
from viewer.state import ViewState

LEFT = [(0.0, 0.0), (500.0, 0.0), (500.0, 1000.0), (0.0, 1000.0)]
RIGHT = [(500.0, 0.0), (1000.0, 0.0), (1000.0, 1000.0), (500.0, 1000.0)]
CORNER = [(0.0, 0.0), (120.0, 0.0), (120.0, 120.0), (0.0, 120.0)]
EMPTY = [(2000.0, 0.0), (2100.0, 0.0), (2100.0, 100.0)]
SOFT_KPA, STIFF_KPA = 100.0, 160.0


def _blank(table: str, rows: int) -> dict[str, Any]:
    fill = {"text": "", "number": np.nan, "count": pd.NA, "truth": pd.NA}
    dtype = {"text": object, "number": float, "count": "Int64", "truth": "boolean"}
    return {c.name: pd.array([fill[c.kind]] * rows, dtype=dtype[c.kind]) for c in TABLES[table]}


def _frame(table: str, rows: int, **columns: Any) -> pd.DataFrame:
    kinds = {c.name: c.kind for c in TABLES[table]}
    frame = pd.DataFrame(_blank(table, rows))
    for name, values in columns.items():
        frame[name] = pd.array(values, dtype="Int64") if kinds[name] == "count" else values
    return frame


def sites(disc: str = "d1", donor: str = "e1", seed: int = 1) -> pd.DataFrame:
    """Sixteen maps on a grid, stiffer on the right, and beside every other one an image."""
    rng = np.random.default_rng(seed)
    gx, gy = (g.ravel() for g in np.meshgrid([60.0, 310.0, 690.0, 940.0], [60.0, 310, 690, 940]))
    right = gx > 500
    modulus = np.where(right, STIFF_KPA, SOFT_KPA) + np.arange(16) + rng.normal(0, 0.1, 16)
    near = np.arange(0, 16, 2)
    maps = {
        "site": [f"b{i:03d}" for i in range(16)],
        "kind": ["bead-map"] * 16,
        "x_um": gx,
        "y_um": gy,
        "modulus_kPa": modulus,
        "pattern_index": 4 * (modulus.max() - modulus) / np.ptp(modulus),
        "curves_used": [60] * 16,
        "curves_total": [64] * 16,
    }
    images = {
        "site": [f"n{i:03d}" for i in range(8)],
        "kind": ["nano-image"] * 8,
        "x_um": gx[near] + 30.0,
        "y_um": gy[near],
        "fibril_thickness_median_nm": 0.5 * modulus[near],
        "fibril_angle_deg": np.linspace(0, 170, 8),
        "pattern_index": 2.0 + np.zeros(8),
    }
    parts = [
        _frame("sites", n, disc=[disc] * n, donor=[donor] * n, **columns)
        for n, columns in ((16, maps), (8, images))
    ]
    return pd.concat(parts, ignore_index=True)


def cells(disc: str = "d1") -> pd.DataFrame:
    """A hundred cells in the left half, all strings; fifty in the right, half of them diffuse."""
    x = np.concatenate([np.linspace(5, 495, 100), np.linspace(505, 995, 50)])
    pattern = ["string"] * 100 + ["string", "diffuse"] * 25
    return _frame(
        "cells", 150, disc=[disc] * 150, cell=range(150), x_um=x, y_um=x % 997, pattern=pattern
    )


class TableStore:
    """As much of an opened store as the library asks for."""

    def __init__(self, path: Path, tables: dict[str, pd.DataFrame], disc: str = "d1") -> None:
        self.path, self.disc, self.tables = path, disc, tables
        self.current_run: str | None = "run-0001"

    def for_run(self, _run):
        return self

    def table(self, name: str, run: str | None = None) -> pd.DataFrame:
        return self.tables[name] if name in self.tables else _frame(name, 0)

    def detail(self, part: str, run: str | None = None) -> dict[str, Any]:
        return {}


def store(path: Path, disc: str = "d1", donor: str = "e1", seed: int = 1) -> TableStore:
    return TableStore(path, {"sites": sites(disc, donor, seed), "cells": cells(disc)}, disc)


def library(path: Path, *discs: tuple[str, str]) -> Library:
    """One disc ``d1`` of donor ``e1``, or those named with their donors."""
    named = discs or (("d1", "e1"),)
    return Library([store(path / d, d, e, i + 1) for i, (d, e) in enumerate(named)])  # type: ignore[misc]


def state(**changes: Any) -> ViewState:
    given = {"discs": ["d1"], "disc": "d1", "tray_open": True, **changes}
    return ViewState(**given)
