"""String, cluster or diffuse, or why nothing is named."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from engine.cells import (
    CellsSettings,
    NucleiDetection,
    detect_nuclei,
    grade_groups,
    neighbour_graph,
)
from engine.clips.flags import (
    COARSE,
    FLAGS,
    MIXED,
    NO_SHARP_FRAME,
    SCALE_UNKNOWN,
    TOO_BLURRED,
    TOO_FEW_CELLS,
    UNSTABLE,
)
from engine.clips.results import VERDICTS, ClipMosaic, ClipVerdict
from engine.clips.settings import ClipsSettings

_OF_PATTERN = np.array([0, 0, 1, 1, 2])
_COARSE_UM = 1.5
_SENTENCES = {flag.name: flag.sentence for flag in FLAGS}


@dataclass(frozen=True)
class _Cells:
    """Cells of a mosaic, away from its edge."""

    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    group: NDArray[np.int64]
    pattern: NDArray[np.int64]
    found: NucleiDetection


def judge_mosaic(
    mosaic: ClipMosaic | None,
    pixel_um: float | None,
    settings: ClipsSettings,
    cells: CellsSettings,
    seed: int = 0,
) -> ClipVerdict:
    """Find and grade the cells of a mosaic, and name a pattern where the cells bear it.

    Parameters
    ----------
    mosaic
        The sharp frames as one picture.
    pixel_um
        Pixel size; None if it is not known.
    settings
        When nothing is named.
    cells
        How cells are found and groups are graded.
    seed
        Of the resamplings.
    """
    if mosaic is None:
        return _nothing((NO_SHARP_FRAME.name,))
    if pixel_um is None:
        return _nothing((SCALE_UNKNOWN.name,))
    seen = _find(mosaic.image, pixel_um, settings, cells, seed)
    of_cell = _OF_PATTERN[seen.pattern]
    shares, support, named = _weigh(of_cell, seen.group, settings, seed)
    flags = _doubts(seen, shares, support, named, settings)
    told = ", ".join(f"{v} {100 * s:.0f} %" for v, s in zip(VERDICTS, shares, strict=True))
    words = f"{len(of_cell)} cells: {told}." if len(of_cell) else "No cell was found."
    reason = " ".join([_SENTENCES[name] for name in flags[:1]] + [words])
    coarse = (COARSE.name,) if pixel_um > _COARSE_UM else ()
    return ClipVerdict(
        verdict="" if flags else VERDICTS[named],
        reason=reason,
        support=support,
        shares=shares,
        x_um=seen.x_um,
        y_um=seen.y_um,
        group=seen.group,
        pattern=seen.pattern,
        flags=(*flags, *coarse),
    )


def _nothing(flags: tuple[str, ...]) -> ClipVerdict:
    none, index = np.empty(0), np.empty(0, np.int64)
    nan = float("nan")
    reason = _SENTENCES[flags[0]]
    return ClipVerdict("", reason, nan, np.full(3, nan), none, none, index, index, flags)


def _find(
    image: NDArray[np.float32], pixel_um: float, s: ClipsSettings, cells: CellsSettings, seed: int
) -> _Cells:
    covered = np.isfinite(image)
    # what no frame covers continues what lies next to it: an edge of its own would look like cells
    nearest = distance_transform_edt(~covered, return_distances=False, return_indices=True)
    whole = image[tuple(nearest)]
    found = detect_nuclei(whole, pixel_um, cells)
    inner = distance_transform_edt(np.pad(covered, 1))[1:-1, 1:-1] * pixel_um
    rows = np.clip(np.rint(found.y_um / pixel_um).astype(int), 0, image.shape[0] - 1)
    cols = np.clip(np.rint(found.x_um / pixel_um).astype(int), 0, image.shape[1] - 1)
    kept = inner[rows, cols] > s.border_um
    xy = np.column_stack([found.x_um, found.y_um])[kept]
    graph = neighbour_graph(xy, cells)
    grades = grade_groups(xy, graph, cells, seed)
    return _Cells(xy[:, 0], xy[:, 1], graph.group, grades.cell_pattern, found)


def _weigh(
    of_cell: NDArray[np.int64], group: NDArray[np.int64], s: ClipsSettings, seed: int
) -> tuple[NDArray[np.float64], float, int]:
    """Shares of the cells, support of the largest under resampled groups, and which it is."""
    if not len(of_cell):
        return np.full(len(VERDICTS), np.nan), float("nan"), 0
    groups = int(group.max()) + 1
    counts = np.zeros((groups, len(VERDICTS)))
    np.add.at(counts, (group, of_cell), 1)
    total = counts.sum(axis=0)
    named = int(np.argmax(total))
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(groups, np.full(groups, 1.0 / groups), size=s.resamplings)
    support = float(np.mean(np.argmax(drawn @ counts, axis=1) == named))
    return total / total.sum(), support, named


def _doubts(
    seen: _Cells, shares: NDArray[np.float64], support: float, named: int, s: ClipsSettings
) -> tuple[str, ...]:
    """Names of what keeps a pattern from being named, the gravest first."""
    low, high = max(seen.found.counts), max(min(seen.found.counts), 1)
    few = len(seen.x_um) < s.cells_min
    found = {
        TOO_FEW_CELLS.name: few,
        TOO_BLURRED.name: not few and seen.found.blurred_share > s.blurred_share_max,
        UNSTABLE.name: not few and low / high > s.count_ratio_max,
        MIXED.name: not few and (shares[named] < s.share_min or support < s.support_min),
    }
    return tuple(name for name, true in found.items() if true)
