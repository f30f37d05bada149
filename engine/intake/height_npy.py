"""Heights in NPY: a two-dimensional array of float32 or float64, nanometres."""

from pathlib import Path

import numpy as np

from engine.intake import limits
from engine.intake.heights import RawHeight
from engine.intake.report import Refused, Report, shown

_HEADER_BYTES = 10_000


def read_npy(path: Path, report: Report) -> RawHeight:
    """Read a height image; the header is checked before anything is allocated.

    Raises
    ------
    Refused
        If it is no NPY file, of another type or shape, or cut short.
    """
    del report  # this format has nothing to warn of
    with path.open("rb") as file:
        try:
            version = np.lib.format.read_magic(file)
            read = {
                (1, 0): np.lib.format.read_array_header_1_0,
                (2, 0): np.lib.format.read_array_header_2_0,
            }.get(version)
            if read is None:
                raise Refused("header", f"NPY version {version}", "version 1.0 or 2.0")
            shape, by_columns, dtype = read(file, max_header_size=_HEADER_BYTES)
        except (ValueError, EOFError, SyntaxError) as error:
            raise Refused("header", f"no NPY header ({shown(str(error))})", "a NPY file") from None
        start = file.tell()
    if dtype not in (np.dtype("f4"), np.dtype("f8"), np.dtype(">f4"), np.dtype(">f8")):
        raise Refused("header", f"the type {dtype}", "float32 or float64, nanometres")
    if len(shape) != 2:
        raise Refused("header", f"the shape {shape}", "(rows, cols)")
    limits.check_shape("header", shape, limits.MAX_HEIGHT_PIXELS, "pixels")
    needed = start + shape[0] * shape[1] * dtype.itemsize
    size = path.stat().st_size
    if size != needed:
        raise Refused("", f"{size} bytes", f"{needed} bytes for a shape of {shape}")
    data = np.fromfile(path, dtype, offset=start).reshape(shape[::-1] if by_columns else shape)
    data = data.T if by_columns else data
    return RawHeight(np.ascontiguousarray(data, dtype.newbyteorder("=")), "NPY")
