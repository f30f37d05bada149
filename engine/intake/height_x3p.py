"""Heights in X3P (ISO 25178-72, ISO 5436-2): a zip of XML and binary data.

Source: the published schema's element names. From memory: data are little-endian, lengths in
metres; ``valid.bin`` holds packed bits, the first point in the lowest bit; an increment multiplies
integers only, floating-point heights stand as they are.
"""

import hashlib
import re
import zipfile
import zlib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.heights import RawHeight
from engine.intake.report import Refused, Report, shown

_TYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
_XML_BYTES = 4 * 2**20
_SUM_BYTES = 4096


def read_x3p(path: Path, report: Report) -> RawHeight:
    """Read a height image; a checksum that does not match is a caution, not a defect.

    Raises
    ------
    Refused
        If the container, its document or its data are not what the standard says.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _read(archive, report)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise Refused("", f"no readable zip ({shown(str(error))})", "a whole X3P file") from None


def _read(archive: zipfile.ZipFile, report: Report) -> RawHeight:
    text = _member(archive, "main.xml", _XML_BYTES)
    root = _document(text)
    cols, rows, layers = (
        _whole(root, f"Record3/MatrixDimension/Size{axis}") for axis in ("X", "Y", "Z")
    )
    place = "main.xml MatrixDimension"
    limits.check_shape(place, (rows, cols, layers), limits.MAX_HEIGHT_PIXELS, "points")
    if layers != 1:
        raise Refused(place, f"SizeZ {layers}", "1: one surface")
    feature = _text(root, "Record1/FeatureType")
    if feature != "SUR":
        raise Refused("main.xml FeatureType", shown(feature), "SUR, a surface")
    spacing_u, spacing_v = (_increment(root, axis) for axis in ("CX", "CY"))
    values = _values(archive, root, rows * cols, report)
    _check_sum_of_document(archive, root, text, report)
    return RawHeight(values.reshape(rows, cols), "X3P", spacing_u, spacing_v)


def _member(archive: zipfile.ZipFile, name: str, most: int, exactly: bool = False) -> bytes:
    """Read a member, never more of it than the limit whatever its own header says."""
    try:
        info = archive.getinfo(name)
    except KeyError:
        raise Refused(name, "nothing", "a file of this name in the zip") from None
    if info.file_size > most:
        raise Refused(name, f"a declared size of {info.file_size} bytes", f"at most {most}")
    with archive.open(info) as member:
        data = member.read(most + 1)
    if len(data) > most or (exactly and len(data) != most):
        raise Refused(name, f"{len(data)} bytes", f"{most} bytes")
    return data


def _document(text: bytes) -> ET.Element:
    if re.search(rb"<!\s*(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise Refused("main.xml", "a document type or entity", "plain XML")
    try:
        return ET.fromstring(text)
    except (ET.ParseError, ValueError, LookupError) as error:
        raise Refused("main.xml", f"no valid XML ({error})", "XML") from None


def _text(root: ET.Element, path: str) -> str | None:
    """Text of an element by local names: children occur plain and namespaced."""
    here: ET.Element | None = root
    for step in path.split("/"):
        here = next(
            (e for e in (here if here is not None else ()) if e.tag.rpartition("}")[2] == step),
            None,
        )
    return None if here is None else (here.text or "").strip()


def _whole(root: ET.Element, path: str) -> int:
    text = _text(root, path)
    if text is None or not re.fullmatch(r"\+?\d{1,18}", text):
        found = "nothing" if text is None else shown(text)
        raise Refused(f"main.xml {path}", found, "a whole number")
    return int(text)


def _float(root: ET.Element, path: str, absent: float | None = None) -> float:
    text = _text(root, path)
    if not text and absent is not None:
        return absent
    try:
        value = float(text or "")
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise Refused(f"main.xml {path}", shown(text) if text else "nothing", "a finite number")
    return value


def _increment(root: ET.Element, axis: str) -> float:
    kind = _text(root, f"Record1/Axes/{axis}/AxisType")
    if kind != "I":
        raise Refused(f"main.xml {axis} AxisType", shown(kind), "I, evenly spaced points")
    value = _float(root, f"Record1/Axes/{axis}/Increment")
    if value <= 0:
        raise Refused(f"main.xml {axis} Increment", f"{value:g}", "a number above 0, metres")
    return value * 1e9


def _values(archive: zipfile.ZipFile, root: ET.Element, count: int, report: Report) -> NDArray[Any]:
    kind = _text(root, "Record1/Axes/CZ/DataType") or "D"
    if kind not in _TYPES:
        raise Refused("main.xml CZ DataType", shown(kind), "I, L, F or D")
    dtype = np.dtype(_TYPES[kind])
    link = _text(root, "Record3/DataLink/PointDataLink")
    if not link:
        raise Refused("main.xml Record3", "no PointDataLink", "data in a binary file of the zip")
    if link in archive.namelist():
        stored = archive.getinfo(link).compress_size
        limits.check_ratio(link, count * dtype.itemsize, stored)
    data = _member(archive, link, count * dtype.itemsize, exactly=True)
    _check_sum(data, _text(root, "Record3/DataLink/MD5ChecksumPointData"), link, report)
    scale = _float(root, "Record1/Axes/CZ/Increment", 1.0) if dtype.kind == "i" else 1.0
    if scale == 0:
        raise Refused("main.xml CZ Increment", "0", "a number above 0, metres")
    offset = _float(root, "Record1/Axes/CZ/Offset", 0.0)
    height = (np.frombuffer(data, dtype).astype(float) * scale + offset) * 1e9
    valid_link = _text(root, "Record3/DataLink/ValidPointsLink")
    if valid_link:
        bits = _member(archive, valid_link, -(-count // 8), exactly=True)
        _check_sum(bits, _text(root, "Record3/DataLink/MD5ChecksumValidPoints"), valid_link, report)
        valid = np.unpackbits(np.frombuffer(bits, np.uint8), count=count, bitorder="little")
        height[valid == 0] = np.nan
    return height


def _check_sum(data: bytes, told: str | None, name: str, report: Report) -> None:
    found = hashlib.md5(data, usedforsecurity=False).hexdigest()
    if told and told.lower() != found:
        report.caution(
            "x3p_checksum",
            f"{report.file}: the checksum told for {name} is {told[:32]}, the data give {found}.",
        )


def _check_sum_of_document(
    archive: zipfile.ZipFile, root: ET.Element, text: bytes, report: Report
) -> None:
    name = _text(root, "Record4/ChecksumFile")
    if not name or name not in archive.namelist():
        return
    line = _member(archive, name, _SUM_BYTES).decode("latin-1")
    match = re.search(r"[0-9a-fA-F]{32}", line)
    _check_sum(text, match[0] if match else "none", "main.xml", report)
