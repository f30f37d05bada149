"""From a disc folder to a store, and a folder checked without writing anything."""

from pathlib import Path
from typing import Any

import numpy as np

from engine.calibration import calibrate_folder, probe_record
from engine.cells import CellsSettings, tissue_outline
from engine.errors import Caution
from engine.intake import MosaicSource, open_folder
from engine.store.write import Progress, write_store
from engine.tasks import OUTLINE_PIXEL_UM


def import_folder(folder: Path | str, store: Path | str, progress: Progress | None = None) -> bool:
    """Read a disc folder into a store.

    Parameters
    ----------
    folder, store
        Where the measurements lie, and where the store shall be.
    progress
        Told what is done and how far it is.

    Returns
    -------
    bool
        False where the store already holds exactly these files.

    Raises
    ------
    FolderError
        With every defect of the folder; the store is as it was.
    """
    opened = open_folder(Path(folder))
    return write_store(opened, Path(store), outline=outline_of_mosaic, progress=progress)


def check_folder(folder: Path | str, progress: Progress | None = None) -> list[Caution]:
    """Read everything in a disc folder and say what is odd, without writing anything.

    Raises
    ------
    FolderError
        With every defect of the folder.
    """
    return look_at_folder(folder, progress)[0]


def look_at_folder(
    folder: Path | str, progress: Progress | None = None
) -> tuple[list[Caution], dict[str, dict[str, Any]]]:
    """Read everything in a disc folder, without writing anything.

    Returns
    -------
    (cautions, probes)
        What is odd; and the records of the probes as a store would hold them.

    Raises
    ------
    FolderError
        With every defect of the folder.
    """
    tell = progress or (lambda _what, _share: None)
    opened = open_folder(Path(folder))
    tell("reading", 0.1)
    opened.check()
    calibrated = calibrate_folder(opened)
    mosaic = opened.mosaic()
    if mosaic is not None:
        opened.site_off_disc(outline_of_mosaic(mosaic))
    opened.finish()
    records = {p.name: probe_record(p, calibrated.get(p.name)) for p in opened.probes}
    return sorted(opened.cautions), records


def outline_of_mosaic(mosaic: MosaicSource) -> np.ndarray[Any, Any]:
    """Outline of the tissue from a coarse reading of the mosaic, (points, 2) in disc micrometres.

    Empty where there is no channel of nuclei or the outline can't be told.
    """
    if "nuclei" not in mosaic.channels:
        return np.empty((0, 2))
    step = max(1, round(OUTLINE_PIXEL_UM / mosaic.pixel_um))
    coarse = _coarse(mosaic, mosaic.channels.index("nuclei"), step)
    outline = tissue_outline(coarse, step * mosaic.pixel_um, CellsSettings())
    # the first coarse pixel's centre lies half a block in
    return outline + mosaic.pixel_um * (step - 1) / 2 + mosaic.origin_um[::-1]


def _coarse(mosaic: MosaicSource, channel: int, step: int) -> np.ndarray[Any, Any]:
    """Mean over step x step pixels, read band by band; what does not fill a block is left out."""
    rows, cols = (n // step * step for n in mosaic.shape[1:])
    bands = []
    for start in range(0, rows, 64 * step):
        block = mosaic.read_rows(channel, start, min(start + 64 * step, rows))[:, :cols]
        shape = (block.shape[0] // step, step, cols // step, step)
        bands.append(block.reshape(shape).mean(axis=(1, 3), dtype=np.float32))
    return np.concatenate(bands) if bands else np.zeros((0, 0), np.float32)
