"""What a stitched mosaic keeps of its tiles: where each was put, and how sure that is."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class TileMap:
    """The residual map of a stitched mosaic; arrays in the order of the table of tiles.

    Attributes
    ----------
    files
        (n,) paths of the tiles in the disc folder.
    nominal_um
        (n, 2) centres of the tiles' first pixels (x, y) as handed over: the disc frame is theirs.
    correction_um
        (n, 2) what was added (x, y); its mean over the tiles is zero.
    size_um
        (width, height) of a tile, micrometres.
    links
        (n,) overlaps that agree with each tile's place.
    flags
        (n,) names joined by ``;``, see `engine.stitching.FLAGS`.
    pairs
        (m, 2) tiles that overlap.
    residual_um
        (m,) distance between the offset measured in the overlap and the one kept; NaN where none
        could be measured.
    pair_used
        (m,) whether the measured offset agrees with the place of both tiles.
    mosaic_flags
        Names joined by ``;``, see `engine.stitching.MOSAIC_FLAGS`.
    shading
        One entry a channel: ``channel``, ``estimated``, ``dark``, ``fill`` (what no tile covers),
        ``depth``, and ``coefficients`` with their ``powers`` of row and column from -1 to 1 of the
        logarithm of the flat field.
    settings
        The settings of stitching.
    """

    files: tuple[str, ...]
    nominal_um: NDArray[np.float64]
    correction_um: NDArray[np.float64]
    size_um: tuple[float, float]
    links: NDArray[np.int64]
    flags: tuple[str, ...]
    pairs: NDArray[np.int64]
    residual_um: NDArray[np.float64]
    pair_used: NDArray[np.bool_]
    mosaic_flags: str
    shading: tuple[dict[str, Any], ...]
    settings: dict[str, Any]

    def as_record(self) -> dict[str, Any]:
        """Everything as JSON holds it; lengths rounded to a nanometre."""
        return {
            "files": list(self.files),
            "nominal_um": _rounded(self.nominal_um),
            "correction_um": _rounded(self.correction_um),
            "size_um": list(self.size_um),
            "links": self.links.tolist(),
            "flags": list(self.flags),
            "pairs": self.pairs.tolist(),
            "residual_um": _rounded(self.residual_um),
            "pair_used": self.pair_used.tolist(),
            "mosaic_flags": self.mosaic_flags,
            "shading": [dict(entry) for entry in self.shading],
            "settings": dict(self.settings),
        }


def tile_map_of(record: Mapping[str, Any]) -> TileMap:
    """Read back what `TileMap.as_record` wrote."""
    residual = [np.nan if r is None else r for r in record["residual_um"]]
    return TileMap(
        files=tuple(record["files"]),
        nominal_um=np.array(record["nominal_um"], float).reshape(-1, 2),
        correction_um=np.array(record["correction_um"], float).reshape(-1, 2),
        size_um=(float(record["size_um"][0]), float(record["size_um"][1])),
        links=np.array(record["links"], np.int64),
        flags=tuple(record["flags"]),
        pairs=np.array(record["pairs"], np.int64).reshape(-1, 2),
        residual_um=np.array(residual, float),
        pair_used=np.array(record["pair_used"], bool),
        mosaic_flags=str(record["mosaic_flags"]),
        shading=tuple(dict(entry) for entry in record["shading"]),
        settings=dict(record["settings"]),
    )


def _rounded(values: NDArray[np.float64]) -> list[Any]:
    rounded = np.round(values, 3)
    rounded_or_none = rounded.astype(object)
    rounded_or_none[~np.isfinite(rounded)] = None
    return list(rounded_or_none.tolist())
