"""Time the cells part: ``python tests/benchmarks/bench_cells.py [SIDE_PX ...]``."""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from cells_simulator import hazy_image, make_scene

from engine.cells import detect_nuclei, grade_groups, grade_windows, neighbour_graph, tissue_outline


def _timed(name, work):
    start = time.perf_counter()
    out = work()
    print(f"{name:>16}: {time.perf_counter() - start:6.2f} s")
    return out


def run(side_px: int) -> None:
    """Time each step on a square image of simulated tissue, repeated to the wanted size."""
    tile = hazy_image(make_scene(1, size_um=1000.0, tries=700), 1)
    times = -(-side_px // tile.shape[0])
    image = np.tile(tile, (times, times))[:side_px, :side_px]
    detect_nuclei(tile[:300, :300], 0.65)
    print(f"{side_px} x {side_px} px")
    found = _timed("detect_nuclei", lambda: detect_nuclei(image, 0.65))
    xy = np.column_stack([found.x_um, found.y_um])
    _timed("tissue_outline", lambda: tissue_outline(image, 0.65))
    graph = _timed("neighbour_graph", lambda: neighbour_graph(xy))
    grades = _timed("grade_groups", lambda: grade_groups(xy, graph))
    sites = np.random.default_rng(0).uniform(0, side_px * 0.65, (130, 2))
    _timed("grade_windows", lambda: grade_windows(sites, xy, graph, grades))
    print(f"{len(xy)} cells, {len(grades.cells)} groups")


if __name__ == "__main__":
    for side in [int(a) for a in sys.argv[1:]] or [4523, 6000]:
        run(side)
