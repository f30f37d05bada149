"""Accuracy of an analysed store against the truth of its disc, as one table.

    python tests/score.py STORE TRUTH

STORE is an analysed store, TRUTH the folder of truth tables beside the practice disc. Exit status 0
if every bar is reached, 1 if not. Bars: issue "From a folder of raw measurements to a disc".
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import score_cells
import score_curves
import score_images
import score_stains
from rich.console import Console
from rich.table import Table

from engine.store import TABLES, open_store

Row = tuple[str, float, str, bool]


def score_frame(tables: dict[str, pd.DataFrame], truth_dir: Path, rms_um: float) -> list[Row]:
    """Registration: the residual, and the true error of the sites' positions."""
    truth = pd.read_csv(truth_dir / "sites.csv").set_index("site")
    sites = tables["sites"].set_index("site")
    off = sites[["x_um", "y_um"]] - truth.loc[sites.index, ["x_um", "y_um"]]
    error = float(np.sqrt((off**2).sum(axis=1)).median())
    return [
        ("frame: residual of the landmarks, rms um", rms_um, "reported", np.isfinite(rms_um)),
        (
            "frame: true error of the sites, median um",
            error,
            "<= 1.5 x residual",
            error <= 1.5 * rms_um,
        ),
    ]


def score(store_path: Path, truth_dir: Path) -> list[Row]:
    """Every figure of a disc."""
    store = open_store(store_path)
    tables = {name: store.table(name) for name in TABLES}
    rows: list[Row] = []
    for part in (score_curves, score_cells, score_images, score_stains):
        rows += part.score(tables, truth_dir)
    return rows + score_frame(tables, truth_dir, store.frame.rms_um)


def main(store: str, truth: str) -> int:
    rows = score(Path(store), Path(truth))
    table = Table("figure", "value", "bar", "reached", title=str(Path(store).name))
    for name, value, bar, reached in rows:
        table.add_row(name, f"{value:.4g}", bar, "yes" if reached else "NO")
    Console().print(table)
    return 0 if all(row[3] for row in rows) else 1


if __name__ == "__main__":
    if len(sys.argv) != 3:
        raise SystemExit(__doc__)
    raise SystemExit(main(*sys.argv[1:]))
