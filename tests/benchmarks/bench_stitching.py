"""Time stitching and measure its memory.

``python tests/benchmarks/bench_stitching.py``        10 x 10 tiles of 1024 x 1024 pixels in memory
``python tests/benchmarks/bench_stitching.py large``  30,000 x 30,000 pixels, two channels, tiles
                                                      made as they are read, to a store on disk
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import zarr

sys.path.insert(0, str(Path(__file__).parents[1]))

from stitching_simulator import position_error, scan
from tiles_lazy import lazy_source

from engine.stitching import (
    FLAGS,
    blend_rows,
    block_medians,
    estimate_flat,
    lay_out,
    register_tiles,
    sample_overlaps,
    typical_overlap_px,
)
from engine.store.pyramid import write_pyramid

_WEAK = sum(
    1 << i
    for i, flag in enumerate(FLAGS)
    if flag.name in {"weakly_linked", "not_linked", "loosely_joined", "stands_alone"}
)


def grid(snr: float, disc: float | None) -> None:
    """Ten by ten tiles: time of each step, and how far off the tiles are."""
    made = scan(5, (10, 10), (1024, 1024), jitter_px=10.0, snr=snr, disc=disc)
    tiles = [made.read(i) for i in range(100)]
    warm = scan(1, (2, 2), (256, 256))
    register_tiles(warm.read, warm.nominal_px, warm.shape)
    blend_rows(
        lay_out([[0, 0]], [[0, 0]], (256, 256), (9, 9)), lambda _t, a, b: warm.read(0)[a:b],
        0, 256, estimate_flat(np.array([block_medians(warm.read(0))])), np.uint16,
    )  # fmt: skip
    begun = time.perf_counter()
    found = register_tiles(tiles.__getitem__, made.nominal_px, made.shape)
    placed = time.perf_counter()
    overlaps = sample_overlaps(lambda t, a, b: tiles[t][a:b], found, made.shape, 80)
    field = estimate_flat(np.array([block_medians(t) for t in tiles]), overlaps)
    even = time.perf_counter()
    overlap = typical_overlap_px(made.nominal_px, made.shape, found.links.pairs)
    canvas = lay_out(made.nominal_px, found.correction_px, made.shape, overlap)
    for first in range(0, canvas.shape[0], 512):
        stop = min(first + 512, canvas.shape[0])
        blend_rows(canvas, lambda t, a, b: tiles[t][a:b], first, stop, field, np.uint16)
    done = time.perf_counter()
    good = (found.flags & _WEAK) == 0
    rms, worst = position_error(made, found, good)
    print(
        f"SNR {snr:g}, {'all tissue' if disc is None else 'disc'}: links {placed - begun:.1f} s, "
        f"flat field {even - placed:.1f} s, blending {done - even:.1f} s, "
        f"together {done - begun:.1f} s; {good.sum()} of 100 tiles well linked, "
        f"off by {rms:.2f} px RMS an axis, {worst:.2f} px at most"
    )


def large(side_px: int = 30_000) -> None:
    """A whole mosaic into a store; most memory that the process ever held."""
    begun = time.perf_counter()
    source, _ = lazy_source(side_px, side_px)
    print(f"{len(source.tiles.files)} tiles registered after {time.perf_counter() - begun:.0f} s")
    with tempfile.TemporaryDirectory() as folder:
        write_pyramid(
            zarr.create_group(folder, zarr_format=3),
            source.read_rows,
            name="mosaic",
            shape=source.shape[1:],
            dtype=source.dtype,
            pixel_um=(source.pixel_um, source.pixel_um),
            channels=source.channels,
            origin_um=source.origin_um,
        )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"{source.shape} in {time.perf_counter() - begun:.0f} s, {peak:.2f} GiB at most; "
        f"mosaic flags: {source.tiles.mosaic_flags or 'none'}"
    )


if __name__ == "__main__":
    if sys.argv[1:] == ["large"]:
        large()
    else:
        for snr in (8.0, 3.0):
            for disc in (None, 0.95):
                grid(snr, disc)
