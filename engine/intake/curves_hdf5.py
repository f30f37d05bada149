"""Force curves in HDF5: ``/approach`` and ``/retract``, each with ``z`` and ``deflection``."""

import math
from pathlib import Path
from typing import Any, cast

import h5py
import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.curves import (
    DEFLECTION_UNITS,
    MIN_SAMPLES,
    Z_UNITS,
    DeflectionUnit,
    RawCurves,
    RawSegment,
    ZUnit,
    finish,
)
from engine.intake.report import Refused, Report, shown

_MAX_SOFT_LINKS = 16


def read_hdf5(path: Path, report: Report) -> RawCurves | None:
    """Read the curves of one site; every defect is told.

    Parameters
    ----------
    path
        The file.
    report
        Takes the defects.
    """
    try:
        file = h5py.File(path, "r", locking=False)
    except OSError as error:
        report.defect("", f"no readable HDF5 ({first_line(error)})", "a whole HDF5 file")
        return None
    before = len(report.defects)
    with file:
        approach = _segment(file, "approach", report)
        retract = _segment(file, "retract", report) if _has(file, "retract", report) else None
        valid = _valid(file, approach, report) if _has(file, "valid", report) else None
        rate = sample_rate(file, report)
    if approach is not None and retract is not None:
        _check_grids(approach, retract, report)
    if approach is None or len(report.defects) > before:
        return None
    return finish(approach, retract, valid, rate, report, ("/approach", "/retract"))


def first_line(error: Exception) -> str:
    """Give the first line of what an error says."""
    return shown(str(error).splitlines()[0]) if str(error) else type(error).__name__


def _has(file: h5py.File, name: str, report: Report) -> bool:
    if name not in file.keys():  # noqa: SIM118 - `in file` would follow the link
        return False
    with report.reading(f"/{name}"):
        _find(file, f"/{name}")
        return True
    return False


def _find(file: h5py.File, place: str) -> Any:
    """Object at a path, following only links that stay in the file."""
    steps = [step for step in place.split("/") if step]
    here: Any = file
    walked: list[str] = []
    followed = 0
    while steps:
        step = steps.pop(0)
        link = here.get(step, getlink=True) if isinstance(here, h5py.Group) else None
        if link is None:
            raise Refused(place, "nothing", "a dataset" if place.count("/") > 1 else "a group")
        if isinstance(link, h5py.ExternalLink):
            raise Refused(
                place, f"a link to {shown(link.filename)}, outside the file", "data in the file"
            )
        if isinstance(link, h5py.SoftLink):
            followed += 1
            if followed > _MAX_SOFT_LINKS:
                raise Refused(place, "links that lead in a circle", "data in the file")
            target = str(link.path)
            base = [] if target.startswith("/") else walked
            steps = [*base, *[s for s in target.split("/") if s and s != "."], *steps]
            here, walked = file, []
            continue
        here = here[step]
        walked.append(step)
    return here


def dataset_at(file: h5py.File, place: str) -> h5py.Dataset:
    """Give the dataset at a path; refused if there is none or it leads out of the file."""
    found = _find(file, place)
    if not isinstance(found, h5py.Dataset):
        raise Refused(place, "a group", "a dataset")
    if found.external:
        raise Refused(place, f"data kept in {shown(found.external[0][0])}", "data in the file")
    if found.is_virtual and any(s.file_name != "." for s in found.virtual_sources()):
        raise Refused(place, "data put together from other files", "data in the file")
    return found


def _segment(file: h5py.File, name: str, report: Report) -> RawSegment | None:
    deflection = z = z_given = deflection_given = None
    group = None
    with report.reading(f"/{name}"):
        group = _find(file, f"/{name}")
    if group is None:
        return None
    with report.reading(f"/{name}/deflection"):
        deflection = _array(dataset_at(file, f"/{name}/deflection"), f"/{name}/deflection", (3,))
    with report.reading(f"/{name}/z"):
        z = _array(dataset_at(file, f"/{name}/z"), f"/{name}/z", (1, 3))
    if deflection is not None:
        deflection_given = unit_scale_offset(file, f"/{name}/deflection", DEFLECTION_UNITS, report)
    if z is not None:
        z_given = unit_scale_offset(file, f"/{name}/z", Z_UNITS, report)
    if deflection is None or z is None:
        return None
    if z.shape not in {deflection.shape, deflection.shape[-1:]}:
        report.defect(
            f"/{name}/z",
            f"the shape {z.shape}",
            f"{deflection.shape} or {deflection.shape[-1:]}, as the deflection has it",
        )
        return None
    if z_given is None or deflection_given is None:
        return None
    return RawSegment(
        z,
        cast(ZUnit, z_given[0]),
        *z_given[1:],
        deflection,
        cast(DeflectionUnit, deflection_given[0]),
        *deflection_given[1:],
    )


def _array(dataset: h5py.Dataset, place: str, dimensions: tuple[int, ...]) -> NDArray[Any]:
    if dataset.dtype.kind not in "iuf":
        raise Refused(place, f"the type {dataset.dtype}", "integers or floating-point numbers")
    shape = dataset.shape
    if shape is None or len(shape) not in dimensions:
        wanted = "(rows, cols, samples)" + (" or (samples,)" if 1 in dimensions else "")
        raise Refused(place, f"the shape {shape}", wanted)
    limits.check_shape(place, shape, limits.MAX_CURVE_VALUES, "values")
    if len(shape) == 3:
        limits.check_shape(place, shape[:2], limits.MAX_CURVES, "curves")
    if shape[-1] < MIN_SAMPLES:
        raise Refused(place, f"{shape[-1]} sample a curve", f"at least {MIN_SAMPLES}")
    check_storage(dataset, place)
    return np.asarray(dataset[...])


def check_storage(dataset: h5py.Dataset, place: str) -> None:
    """Refuse what was declared but never written, or is out of proportion to what is stored."""
    if dataset.is_virtual:
        return
    stored = int(dataset.id.get_storage_size())
    limits.check_ratio(place, int(dataset.size) * dataset.dtype.itemsize, stored)
    fill = np.asarray(dataset.fillvalue)
    if fill.dtype.kind == "f" and np.isnan(fill).all():
        return  # what was never written reads as NaN: a curve not taken
    if stored == 0:
        raise Refused(place, "no data: the dataset was never written", "a whole dataset")
    if dataset.chunks:
        pieces = math.prod(-(-n // c) for n, c in zip(dataset.shape, dataset.chunks, strict=True))
        written = int(dataset.id.get_num_chunks())
        if written < pieces:
            raise Refused(place, f"{written} of {pieces} pieces written", "a whole dataset")


def unit_scale_offset(
    file: h5py.File, place: str, units: tuple[str, ...], report: Report
) -> tuple[str, float, float] | None:
    """Give unit, scale and offset of a dataset; None with the defects told."""
    attributes = dataset_at(file, place).attrs
    unit = scale = offset = None
    with report.reading(f"{place} unit"):
        unit = _unit(attributes, f"{place} unit", units)
    with report.reading(f"{place} scale"):
        scale = attribute_number(attributes, "scale", f"{place} scale", 1.0)
        if scale == 0:
            scale = None
            raise Refused(f"{place} scale", "0", "a finite number other than 0")
    with report.reading(f"{place} offset"):
        offset = attribute_number(attributes, "offset", f"{place} offset", 0.0)
    if unit is None or scale is None or offset is None:
        return None
    return unit, scale, offset


def _unit(attributes: h5py.AttributeManager, place: str, units: tuple[str, ...]) -> str:
    expected = "one of " + ", ".join(units)
    if "unit" not in attributes:
        raise Refused(place, "nothing", expected)
    value = attributes["unit"]
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, bytes):
        try:
            value = value.decode("utf-8")
        except UnicodeDecodeError:
            raise Refused(place, f"bytes that are no UTF-8: {value!r}", expected) from None
    if not isinstance(value, str) or value.strip("\0 ") not in units:
        raise Refused(place, shown(value), expected)
    return value.strip("\0 ")


def attribute_number(
    attributes: h5py.AttributeManager, name: str, place: str, absent: float
) -> float:
    """Give an attribute that is one finite number, or ``absent``; refused if it is another."""
    if name not in attributes:
        return absent
    value = np.asarray(attributes[name])
    if value.size != 1 or value.dtype.kind not in "iuf" or not np.isfinite(value).all():
        raise Refused(place, shown(attributes[name]), "one finite number")
    return float(value.reshape(-1)[0])


def _valid(
    file: h5py.File, approach: RawSegment | None, report: Report
) -> NDArray[np.bool_] | None:
    with report.reading("/valid"):
        dataset = dataset_at(file, "/valid")
        if dataset.dtype.kind not in "biu":
            raise Refused("/valid", f"the type {dataset.dtype}", "booleans")
        grid = None if approach is None else approach.deflection.shape[:2]
        if len(dataset.shape) != 2 or (grid is not None and dataset.shape != grid):
            expected = f"{grid}, one for each curve" if grid else "(rows, cols)"
            raise Refused("/valid", f"the shape {dataset.shape}", expected)
        limits.check_shape("/valid", dataset.shape, limits.MAX_CURVES, "curves")
        values = np.asarray(dataset[...])
        if values.dtype.kind != "b" and not np.isin(values, (0, 1)).all():
            raise Refused("/valid", f"values up to {values.max()}", "booleans, or 0 and 1")
        return values.astype(bool)
    return None


def sample_rate(file: h5py.File, report: Report) -> float | None:
    """Give the file's sample rate; None where it has none or, with a defect told, a wrong one."""
    if "sample_rate_Hz" not in file.attrs:
        return None
    with report.reading("/ sample_rate_Hz"):
        rate = attribute_number(file.attrs, "sample_rate_Hz", "/ sample_rate_Hz", 0.0)
        if rate <= 0:
            raise Refused("/ sample_rate_Hz", f"{rate:g}", "a number above 0")
        return rate
    return None


def _check_grids(approach: RawSegment, retract: RawSegment, report: Report) -> None:
    one, other = approach.deflection.shape[:2], retract.deflection.shape[:2]
    if one != other:
        report.defect(
            "/retract/deflection",
            f"{other[0]} x {other[1]} curves",
            f"{one[0]} x {one[1]}, as in /approach",
        )
