"""Score the cells part of the result tables against a truth folder."""

from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

REACH_UM = 3.0

Row = tuple[str, float, str, bool]


def _matches(found, true):
    """One-to-one pairs within the reach, nearest first."""
    if not len(found) or not len(true):
        return np.empty(0, int), np.empty(0, int)
    tree = cKDTree(found)
    pairs = tree.sparse_distance_matrix(cKDTree(true), REACH_UM, output_type="ndarray")
    used_found, used_true, out = set(), set(), []
    for i, j, _ in np.sort(pairs, order="v"):
        if i not in used_found and j not in used_true:
            used_found.add(i)
            used_true.add(j)
            out.append((i, j))
    first, second = np.array(out, dtype=int).reshape(-1, 2).T
    return first, second


def _balanced(true, said):
    """Mean over the true classes of the share that is said right."""
    true, said = np.asarray(true), np.asarray(said)
    return float(np.mean([(said[true == k] == k).mean() for k in pd.unique(true)]))


def _cells(cells: pd.DataFrame, truth_dir: Path) -> list[Row]:
    truth = pd.read_csv(truth_dir / "cells.csv")
    xy, true = cells[["x_um", "y_um"]].to_numpy(), truth[["x_um", "y_um"]].to_numpy()
    found, real = _matches(xy, true)
    f1 = 2 * len(found) / max(1, len(xy) + len(true))
    rows: list[Row] = [("cells: F1 at 3 um", f1, ">= 0.97", f1 >= 0.97)]
    deep = truth_dir / "deep_cells.csv"
    if deep.exists() and len(xy):
        hazy = pd.read_csv(deep)[["x_um", "y_um"]].to_numpy()
        alone = np.setdiff1d(np.arange(len(xy)), found)
        taken = (cKDTree(hazy).query(xy[alone])[0] < REACH_UM).sum()
        share = float(taken / max(1, len(hazy)))
        rows.append(("cells: share of haze taken for cells", share, "<= 0.03", share <= 0.03))
    if len(found):
        off = float(np.sqrt(np.mean(np.sum((xy[found] - true[real]) ** 2, axis=1))))
        rows.append(("cells: position RMS, um", off, "<= 0.6", off <= 0.6))
        acc = _balanced(truth["pattern"].to_numpy()[real], cells["pattern"].to_numpy()[found])
    else:
        acc = 0.0
    rows.append(("cells: pattern, balanced accuracy", acc, ">= 0.92", acc >= 0.92))
    return rows


def _sites(sites: pd.DataFrame, truth_dir: Path) -> list[Row]:
    truth = pd.read_csv(truth_dir / "sites.csv")
    both = truth.merge(sites, on="site", suffixes=("_true", ""), how="left")
    # where truth itself holds fewer than three cells in 100 um there is nothing to agree with
    told = both[both["pattern_true"].notna() & (both["cells_in_window_true"] >= 3)]
    acc = _balanced(told["pattern_true"], told["pattern"].fillna("none"))
    index = told[["pattern_index_true", "pattern_index"]].astype(float).fillna(-1.0)
    r = float(np.corrcoef(index.to_numpy().T)[0, 1])
    off = float((index.iloc[:, 0] - index.iloc[:, 1]).abs().mean())
    inside = both["in_disc"].astype("boolean").fillna(False)
    placed = float((inside == both["in_disc_true"].astype(bool)).mean())
    return [
        ("windows: pattern, balanced agreement", acc, ">= 0.90", acc >= 0.90),
        ("windows: index, correlation", r, ">= 0.95", r >= 0.95),
        ("windows: index, mean absolute error", off, "<= 0.1", off <= 0.1),
        ("windows: in_disc agrees", placed, ">= 0.98", placed >= 0.98),
    ]


def score(tables: dict[str, pd.DataFrame], truth_dir: Path) -> list[Row]:
    """Rows of figure, value, bar and whether it is reached, from the cells and sites tables."""
    return _cells(tables["cells"], Path(truth_dir)) + _sites(tables["sites"], Path(truth_dir))
