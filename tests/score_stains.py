"""Score the stains of the result tables against the truth of a demo disc that has several."""

from pathlib import Path

import numpy as np
import pandas as pd
from score_cells import _matches

Row = tuple[str, float, str, bool]


def score(tables: dict[str, pd.DataFrame], truth_dir: Path) -> list[Row]:
    """Rows of figure, value, bar and whether it is reached; none without a truth of stains."""
    if not (truth_dir / "stains.csv").exists():
        return []
    cells, truth = tables["cells"], pd.read_csv(truth_dir / "cells.csv")
    stains = pd.read_csv(truth_dir / "stains.csv")
    found, real = _matches(
        cells[["x_um", "y_um"]].to_numpy(float), truth[["x_um", "y_um"]].to_numpy(float)
    )
    said, true = cells.iloc[found].reset_index(drop=True), stains.iloc[real].reset_index(drop=True)
    live = true["live"].to_numpy() == 1
    glow = said["live_mean_counts"].to_numpy(float)
    ratio = glow[live] / true["live_counts"].to_numpy(float)[live]
    told = float(np.mean((glow > 450) == live))
    rim, shell = said["collagen_VI_rim_counts"], true["shell_counts"]
    r = float(np.corrcoef(rim, shell)[0, 1])
    share = float(np.median(rim / shell))
    rows: list[Row] = [
        ("stains: live cells, median brightness over truth", float(np.median(ratio)),
         "0.98 to 1.02", bool(abs(np.median(ratio) - 1) <= 0.02)),
        ("stains: live cells, 90 % of them within", float(np.percentile(abs(ratio - 1), 90)),
         "<= 0.03", bool(np.percentile(abs(ratio - 1), 90) <= 0.03)),
        ("stains: live and dead told apart at half brightness", told, ">= 0.98", told >= 0.98),
        ("stains: shell, correlation of rim and truth", r, ">= 0.97", r >= 0.97),
        ("stains: shell, median of rim over truth", share, "0.9 to 1.05", 0.9 <= share <= 1.05),
    ]  # fmt: skip
    sites = tables["sites"].merge(pd.read_csv(truth_dir / "matrix.csv"), on="site")
    plain = sites[sites["pattern_window_um"] == 100]
    off = plain["collagen_VI_window_counts"] / plain["window_counts"] - 1
    worst = float(off.abs().max())
    rows.append(("stains: windows, largest relative error", worst, "<= 0.05", worst <= 0.05))
    return rows
