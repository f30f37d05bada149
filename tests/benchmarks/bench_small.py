"""Small kernels against a general-purpose library's time in the same run, as ratios.

    python tests/benchmarks/bench_small.py

Prints how many times longer each takes than its yardstick; medians of five runs in turn.
"""

import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.spatial import Delaunay

sys.path.insert(0, str(Path(__file__).parents[1]))

from folder_kit import make_curves, write_curves_csv

from engine.cells import neighbour_graph
from engine.intake.curves import RawCurves
from engine.intake.curves_csv import read_csv
from engine.intake.report import Report


def ratio(ours, yardstick, runs=5):
    """Median of ours / yardstick over runs in turn."""
    ours(), yardstick()
    times = []
    for _ in range(runs):
        a = time.perf_counter()
        ours()
        b = time.perf_counter()
        yardstick()
        times.append((b - a) / (time.perf_counter() - b))
    return statistics.median(times)


def main() -> None:
    xy = np.random.default_rng(5).uniform(0, 5000, (20_000, 2))
    graph = ratio(lambda: neighbour_graph(xy), lambda: Delaunay(xy))
    print(f"graph of 20,000 cells / scipy Delaunay: {graph:.1f}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        write_curves_csv(path, make_curves(np.random.default_rng(0), 8, 8, 1000))

        def read() -> RawCurves | None:
            return read_csv(path, Report("a.csv"))

        table = ratio(read, lambda: pd.read_csv(path))
        print(f"checked CSV of 64 curves / pandas read_csv: {table:.1f}")


if __name__ == "__main__":
    main()
