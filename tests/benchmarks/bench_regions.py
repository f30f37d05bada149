"""How long a brushed comparison takes on the server: 130 sites, 100,000 cells, 2 to 4 regions.

Run: python tests/benchmarks/bench_regions.py   (bar: median below 50 ms for four regions)
"""

import time

import numpy as np

from engine.across import SiteTable, compare_regions, count_cells, points_in_polygons


def _lasso(rng: np.random.Generator, corners: int) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    radius = rng.uniform(350, 800) * (1 + 0.2 * np.sin(5 * angle + rng.uniform(0, 6)))
    centre = rng.uniform(900, 2100, 2)
    return centre + np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def measure(regions: int, corners: int = 300, runs: int = 15) -> float:
    """Median time of one comparison, milliseconds."""
    rng = np.random.default_rng(regions)
    sites, cells = rng.uniform(0, 3000, (130, 2)), rng.uniform(0, 3000, (100_000, 2))
    pattern = rng.integers(0, 5, cells.shape[0])
    table = SiteTable(
        site=[f"s{i}" for i in range(130)],
        disc=["E1-R"] * 130,
        donor=["E1"] * 130,
        value=rng.lognormal(5, 0.5, 130),
        curves_used=np.full(130, 60),
        curves_total=np.full(130, 64),
    )
    times = []
    for _ in range(runs):
        polygons = [_lasso(rng, corners) for _ in range(regions)]
        start = time.perf_counter()
        members = points_in_polygons(sites, polygons)
        compare_regions([f"R{i}" for i in range(regions)], members, table)
        for mask, polygon in zip(points_in_polygons(cells, polygons), polygons, strict=True):
            count_cells(mask, pattern, polygon)
        times.append(time.perf_counter() - start)
    return 1e3 * float(np.median(times))


if __name__ == "__main__":
    for count in (2, 3, 4):
        print(f"{count} regions: {measure(count):.1f} ms")
