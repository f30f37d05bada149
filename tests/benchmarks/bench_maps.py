"""What maps of curves cost: pictures with them against pictures of height images, and a new load.

Usage: python tests/benchmarks/bench_maps.py STORE [SITE]

STORE holds a nanometre image with curves. Medians of processor time of this process, so that a busy
machine tells the same; the yardstick is the same box with the height image.
"""

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from engine.view import Box, encode_layers  # noqa: E402
from viewer.gallery import Gallery  # noqa: E402
from viewer.library import Library  # noqa: E402
from viewer.look import Look  # noqa: E402
from viewer.site_maps import largest_load, map_scale, mapped_sites, site_maps  # noqa: E402

LAYERS = frozenset({"mosaic", "heights", "cells", "links", "sites", "curves", "outline"})
ROUNDS = 9


def median_ms(act: Callable[[], Any]) -> float:
    """Median processor time of an act after a first one, milliseconds."""
    act()
    times = []
    for _ in range(ROUNDS):
        begun = time.process_time()
        act()
        times.append(time.process_time() - begun)
    return 1e3 * statistics.median(times)


def main(store: str, site: str = "") -> None:
    """Print one table."""
    gallery = Gallery(Library.open([Path(store)]))
    library, disc = gallery.library, gallery.library.discs[0]
    site = site or mapped_sites(library, disc)[0]
    foot = gallery.scene(disc).sites[site]
    x, y = (float(v) for v in foot.centre_um)
    maps = site_maps(library, disc, site)
    assert maps is not None
    print(f"{site}: {maps.shape[0]} x {maps.shape[1]} curves; ms of processor time")
    print(f"{'view':12}{'shows':10}{'draw':>7}{'encode':>8}{'over the image':>16}")
    for view, scale in (
        ("whole disc", 3.0),
        ("site", foot.width_um / 700),
        ("cells", foot.width_um / 7000),
    ):
        box = Box(x, y, scale, 900, 750)
        yard = 0.0
        for shows in ("", "modulus", "height", "shaded"):
            look = Look(LAYERS, "sites.modulus_kPa", site_map=shows, load="0.5")
            picture = gallery.draw(disc, box, look)
            draw = median_ms(lambda look=look, box=box: gallery.draw(disc, box, look))
            code = median_ms(lambda picture=picture: encode_layers(picture))
            yard = yard or draw + code
            name = shows or "image"
            print(f"{view:12}{name:10}{draw:7.1f}{code:8.1f}{(draw + code) / yard:16.2f}")
    box = Box(x, y, foot.width_um / 700, 900, 750)
    loads = iter(np.linspace(0.05, 0.95, 4 * (ROUNDS + 1)) * largest_load(library, disc))
    for shows in ("height", "shaded"):
        fresh = median_ms(
            lambda shows=shows: gallery.draw(
                disc,
                box,
                Look(LAYERS, "sites.modulus_kPa", site_map=shows, load=f"{next(loads):.5g}"),
            )
        )
        print(f"a load not seen before, {shows}: {fresh:.1f}")
    begun = time.process_time()
    map_scale(Library.open([Path(store)]), "height")
    print(f"colours of all sites, once a run: {1e3 * (time.process_time() - begun):.1f}")


if __name__ == "__main__":
    main(*sys.argv[1:])
