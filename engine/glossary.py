"""Every flag that can stand in a result table, by name, with the sentence that explains it."""

from engine import (
    cells,
    clips,
    collagen,
    force_volume,
    frames,
    mechanics,
    site_table,
    stains,
    stitching,
    zero_force,
)
from engine.flags import Flag

_PARTS = (
    mechanics.FLAGS,
    mechanics.MAP_FLAGS,
    cells.FLAGS,
    collagen.FLAGS,
    frames.FLAGS,
    stitching.FLAGS,
    stitching.MOSAIC_FLAGS,
    site_table.FLAGS,
    clips.FLAGS,
    stains.FLAGS,
    force_volume.FLAGS,
    zero_force.FLAGS,
)
ALL_FLAGS: dict[str, Flag] = {flag.name: flag for part in _PARTS for flag in part}


def explain(names: str) -> list[tuple[str, str]]:
    """Give the sentence of each name in a ``;``-separated list, in its order.

    A name that no part of the engine knows (of an older run, say) explains itself by its words.

    Examples
    --------
    >>> explain("no_mosaic")
    [('no_mosaic', 'Without a mosaic there are no cells to grade round the site.')]
    """
    found = []
    for name in filter(None, names.split(";")):
        flag = ALL_FLAGS.get(name)
        found.append((name, flag.sentence if flag else name.replace("_", " ") + "."))
    return found
