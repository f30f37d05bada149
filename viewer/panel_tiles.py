"""The panel of the tiles: how a stitched mosaic was put together, and where it is weak."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np

from engine.glossary import ALL_FLAGS
from engine.intake.tile_map import TileMap
from viewer.plane_panels import Panel, Row

LAYER = "tiles"
_VIEW = 1.6
"""Side of the view that is flown to, in tiles."""


class TilesPanel(Panel):
    """Whether tiles are outlined, what became of their overlaps, and which are flagged."""

    name: ClassVar[str] = "tiling"
    title: ClassVar[str] = "Tiles of the mosaic: places, overlaps, and where they are weak"

    def rows(self) -> list[Row]:
        """Return its rows; none where the mosaic came as one image."""
        tiles = self.gallery.library.store(self.state.disc).tile_map
        if tiles is None:
            return []
        shown = LAYER in self.state.layers
        rows = [
            Row("toggle", "show", "outlines and overlaps", shown, "Drawn over the mosaic"),
            Row("text", "said", value=summary(tiles)),
        ]
        flagged = [i for i, flags in enumerate(tiles.flags) if flags]
        if flagged:
            items = [("", f"{len(flagged)} flagged"), *((str(i), tiles.files[i]) for i in flagged)]
            title = "Fly to a flagged tile"
            rows.append(Row("select", "tile", "look at", "", title, items))
            rows.append(Row("text", "why", value=reasons(tiles)))
        return rows

    def act(self, key: str, value: Any) -> None:
        """Carry out a change; what cannot be is left alone."""
        tiles = self.gallery.library.store(self.state.disc).tile_map
        if tiles is None:
            return
        if key == "show":
            others = [layer for layer in self.state.layers if layer != LAYER]
            self.state.layers = [*others, LAYER] if value else others
        elif key == "tile" and str(value).isdecimal() and int(value) < len(tiles.files):
            corner = tiles.nominal_um[int(value)] + tiles.correction_um[int(value)]
            x, y = corner + np.array(tiles.size_um) / 2
            side_px = max(1, min(self.state.width_px, self.state.height_px))
            self.state.fly_to(float(x), float(y), _VIEW * max(tiles.size_um) / side_px)


def summary(tiles: TileMap) -> str:
    """Say in words what became of the overlaps."""
    width, height = tiles.size_um
    known = np.isfinite(tiles.residual_um)
    used = tiles.residual_um[tiles.pair_used & known]
    off = ""
    if len(used):
        off = f", off by {np.median(used):.2f} µm (median), {used.max():.2f} µm at most"
    unused, blank = int((known & ~tiles.pair_used).sum()), int((~known).sum())
    moved = np.linalg.norm(tiles.correction_um, axis=1)
    lines = [
        f"{len(tiles.files)} tiles of {width:.0f} × {height:.0f} µm, {len(tiles.pairs)} overlaps.",
        f"{len(used)} agree with the places that were kept{off}.",
        f"{unused} could be measured and do not agree." if unused else "",
        f"{blank} show nothing that could be compared." if blank else "",
        f"Tiles were moved by {np.median(moved):.1f} µm (median), {moved.max():.1f} µm at most.",
    ]
    names = [name for name in tiles.mosaic_flags.split(";") if name in ALL_FLAGS]
    lines += [ALL_FLAGS[name].sentence for name in names]
    return "\n".join(part for line in lines if line for part in _wrapped(line))


def reasons(tiles: TileMap) -> str:
    """Say how many tiles have each flag, and what it means."""
    names = [name for flags in tiles.flags for name in flags.split(";") if name]
    lines = []
    for name in dict.fromkeys(names):
        count = names.count(name)
        sentence = ALL_FLAGS[name].sentence if name in ALL_FLAGS else name.replace("_", " ")
        lines.append(f"{count} {'tile' if count == 1 else 'tiles'}: {sentence}")
    return "\n".join(wrapped for line in lines for wrapped in _wrapped(line))


def _wrapped(line: str, width: int = 84) -> list[str]:
    """Break a line between words: a fold-out is as wide as its longest line."""
    found, held = [], ""
    for word in line.split(" "):
        if held and len(held) + len(word) >= width:
            found.append(held)
            held = word
        else:
            held = f"{held} {word}".strip()
    return [*found, held]
