"""A person's corrections laid over the computed nuclei."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.cells.detection import NucleiDetection
from engine.cells.graph import checked_positions


@dataclass(frozen=True)
class CorrectedNuclei:
    """Nuclei with corrections.

    Attributes
    ----------
    found
        The nuclei: those computed without the removed ones, in their order, then those added;
        ``by_hand`` says which are which. Diameter and contrast of an added one are the medians of
        the computed ones; what else is measured in the image is NaN.
    added
        (a,) whether an added nucleus was new; False where a computed one lies there already.
    removed
        (r,) whether a removal met a computed nucleus.
    """

    found: NucleiDetection
    added: NDArray[np.bool_]
    removed: NDArray[np.bool_]


def correct_nuclei(
    found: NucleiDetection,
    added_um: NDArray[np.float64],
    removed_um: NDArray[np.float64],
    reach_um: float,
    typical_diameter_um: float = 8.0,
) -> CorrectedNuclei:
    """Remove and add nuclei.

    Corrections are kept as places, because the numbers of cells change from run to run: a removal
    takes the nearest computed nucleus within reach that no other has taken; an added one that lies
    within reach of a computed nucleus which stays is that nucleus.

    Parameters
    ----------
    found
        What was computed, positions in the disc frame.
    added_um, removed_um
        (a, 2) and (r, 2) places, disc frame, um.
    reach_um
        How near counts as the same nucleus, um.
    typical_diameter_um
        Diameter of an added nucleus where none was computed, um.
    """
    add, remove = checked_positions(added_um), checked_positions(removed_um)
    xy = np.column_stack([found.x_um, found.y_um])
    stays = np.ones(len(xy), dtype=bool)
    met = np.zeros(len(remove), dtype=bool)
    for i, place in enumerate(remove):
        away = np.where(stays, np.linalg.norm(xy - place, axis=1), np.inf)
        if away.size and away.min() <= reach_um:
            stays[np.argmin(away)] = False
            met[i] = True
    new = np.ones(len(add), dtype=bool)
    for i, place in enumerate(add):
        others = np.vstack([xy[stays], add[:i][new[:i]]])
        new[i] = not len(others) or np.linalg.norm(others - place, axis=1).min() > reach_um
    return CorrectedNuclei(_joined(found, stays, add[new], typical_diameter_um), new, met)


def _joined(
    found: NucleiDetection,
    stays: NDArray[np.bool_],
    add: NDArray[np.float64],
    diameter_um: float,
) -> NucleiDetection:
    kept = found.diameter_um[stays]
    typical = float(np.median(kept)) if kept.size else diameter_um
    contrast = float(np.median(found.contrast[stays])) if kept.size else 0.0
    unknown = np.full(len(add), np.nan)
    return replace(
        found,
        x_um=np.append(found.x_um[stays], add[:, 0]),
        y_um=np.append(found.y_um[stays], add[:, 1]),
        diameter_um=np.append(kept, np.full(len(add), typical)),
        snr=np.append(found.snr[stays], unknown),
        contrast=np.append(found.contrast[stays], np.full(len(add), contrast)),
        sharpness_per_um=np.append(found.sharpness_per_um[stays], unknown),
        by_hand=np.append(np.zeros(len(kept), dtype=bool), np.ones(len(add), dtype=bool)),
    )
