"""The table of formats, by suffix, and how others join it."""

from collections.abc import Mapping
from importlib.metadata import entry_points
from pathlib import Path
from typing import TypeVar

from engine.intake.curves import CurveReader
from engine.intake.curves_csv import read_csv
from engine.intake.curves_hdf5 import read_hdf5
from engine.intake.height_npy import read_npy
from engine.intake.height_sdf import read_sdf
from engine.intake.height_tiff import read_tiff
from engine.intake.height_x3p import read_x3p
from engine.intake.heights import ACCEPTED, HeightReader
from engine.intake.report import Refused, shown

CURVE_GROUP, HEIGHT_GROUP = "splendens.curve_readers", "splendens.height_readers"
CURVE_READERS: Mapping[str, CurveReader] = {".h5": read_hdf5, ".hdf5": read_hdf5, ".csv": read_csv}
HEIGHT_READERS: Mapping[str, HeightReader] = {
    ".tif": read_tiff,
    ".tiff": read_tiff,
    ".npy": read_npy,
    ".sdf": read_sdf,
    ".x3p": read_x3p,
}
_Reader = TypeVar("_Reader", CurveReader, HeightReader)


def curve_reader(path: Path) -> CurveReader:
    """Reader of a curve file by its suffix.

    Raises
    ------
    Refused
        If no reader is known for it.
    """
    found = _of(path, CURVE_READERS, CURVE_GROUP)
    if found is None:
        raise Refused("", f"the suffix {shown(path.suffix)}", "HDF5 (.h5) or CSV (.csv)")
    return found


def height_reader(path: Path) -> HeightReader:
    """Reader of a height image by its suffix.

    Raises
    ------
    Refused
        If no reader is known for it, or the file declares itself as ISO 28600.
    """
    found = _of(path, HEIGHT_READERS, HEIGHT_GROUP)
    if found is not None and path.suffix.lower() in HEIGHT_READERS:
        return found
    with path.open("rb") as file:
        head = file.read(256)
    if found is None and (b"ISO/TC 201" in head or b"ISO 28600" in head):
        raise Refused("", "ISO 28600 text, which is not read yet", f"{ACCEPTED} until then")
    if found is None:
        raise Refused("", f"the suffix {shown(path.suffix)}", ACCEPTED)
    return found


def _of(path: Path, own: Mapping[str, _Reader], group: str) -> _Reader | None:
    suffix = path.suffix.lower()
    if suffix in own:
        return own[suffix]
    for entry in entry_points(group=group):
        if "." + entry.name.lower().lstrip(".") == suffix:
            loaded: _Reader = entry.load()
            return loaded
    return None
