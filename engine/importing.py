"""From a disc folder to a store, and a folder checked without writing anything."""

from pathlib import Path
from typing import Any

import numpy as np

from engine.calibration import calibrate_folder, probe_record
from engine.cells import CellsSettings, tissue_outline
from engine.errors import Caution
from engine.intake import MosaicSource, open_folder
from engine.store.write import Progress, write_store
from engine.tasks import OUTLINE_PIXEL_UM, outline_of_pyramid


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
    return write_store(opened, Path(store), outline=outline_of_pyramid, progress=progress)


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
    mosaic = opened.mosaic(lambda share: tell("placing tiles", 0.1 * share))
    coarse = Coarse(mosaic) if mosaic is not None and "nuclei" in mosaic.channels else None
    tell("reading", 0.1)
    opened.check(coarse.see if coarse else None)
    calibrated = calibrate_folder(opened)
    if coarse is not None:
        opened.site_off_disc(coarse.outline_um())
    opened.finish()
    records = {p.name: probe_record(p, calibrated.get(p.name)) for p in opened.probes}
    return sorted(opened.cautions), records


def outline_of_mosaic(mosaic: MosaicSource) -> np.ndarray[Any, Any]:
    """Outline of the tissue from a coarse reading of the mosaic, (points, 2) in disc micrometres.

    Empty where there is no channel of nuclei or the outline can't be told.
    """
    if "nuclei" not in mosaic.channels:
        return np.empty((0, 2))
    coarse = Coarse(mosaic)
    for first in range(0, mosaic.shape[1], mosaic.rows_at_once):
        stop = min(first + mosaic.rows_at_once, mosaic.shape[1])
        coarse.see(coarse.channel, first, mosaic.read_rows(coarse.channel, first, stop))
    return coarse.outline_um()


class Coarse:
    """The nuclei of a mosaic in large pixels, gathered while its rows are read for something else.

    Parameters
    ----------
    mosaic
        A mosaic with a channel of nuclei.
    """

    def __init__(self, mosaic: MosaicSource) -> None:
        self.channel = mosaic.channels.index("nuclei")
        self._step = max(1, round(OUTLINE_PIXEL_UM / mosaic.pixel_um))
        self._mosaic = mosaic
        self._bands: list[np.ndarray[Any, Any]] = []
        self._left: np.ndarray[Any, Any] | None = None

    def see(self, channel: int, first: int, rows: np.ndarray[Any, Any]) -> None:
        """Take in rows of a channel, which come in order; those of other channels are left alone.

        Parameters
        ----------
        channel, first
            Channel and the first row's number.
        rows
            (n, cols).
        """
        if channel != self.channel:
            return
        if first == 0:
            self._bands, self._left = [], None
        held = rows if self._left is None else np.concatenate([self._left, rows])
        step = self._step
        whole, cols = len(held) // step * step, held.shape[1] // step * step
        self._left = held[whole:].copy()  # what does not fill a block waits for the next rows
        shape = (whole // step, step, cols // step, step)
        block = held[:whole, :cols].reshape(shape)
        self._bands.append(block.mean(axis=(1, 3), dtype=np.float32))

    def outline_um(self) -> np.ndarray[Any, Any]:
        """Outline of the tissue as far as rows were seen."""
        mosaic, step = self._mosaic, self._step
        coarse = np.concatenate(self._bands) if self._bands else np.zeros((0, 0), np.float32)
        outline = tissue_outline(coarse, step * mosaic.pixel_um, CellsSettings())
        # the first coarse pixel's centre lies half a block in
        return outline + mosaic.pixel_um * (step - 1) / 2 + mosaic.origin_um[::-1]
