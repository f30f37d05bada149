"""Heights in SDF (ISO 25178-71), ASCII or binary.

Source: the header as EUR 15178 EN gives it and NPL and NIST cite it. From memory: binary files are
little-endian, and ``BAD`` stands for a missing point in ASCII. Heights are value times Zscale;
scales are in metres. The checksum field is not used.
"""

import re
import struct
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.heights import RawHeight
from engine.intake.report import Refused, Report, shown

_VERSION = re.compile(r"[ab](BC|BCR|NPL|ISO)-V?1\.0")
_VERSIONS = "aISO-1.0, aBC-1.0, aNPL-V1.0 or bISO-1.0"
_HEADER = struct.Struct("<8s10s12s12sHHddddBBB")
_TYPES = ("u1", "<u2", "<u4", "<f4", "i1", "<i2", "<i4", "<f8")
_MAX_BYTES = 2**30
_MAX_HEADER_LINES = 100
_FIELDS = ("NumPoints", "NumProfiles", "Xscale", "Yscale", "Zscale")


def read_sdf(path: Path, report: Report) -> RawHeight:
    """Read a height image.

    Raises
    ------
    Refused
        If the header or the data are not what the standard says, or are cut short.
    """
    size = path.stat().st_size
    if size > _MAX_BYTES:
        raise Refused("", f"a file of {size} bytes", f"at most {_MAX_BYTES}")
    data = path.read_bytes()
    if data[:1] == b"b":
        values, header = _binary(data)
    else:
        values, header = _ascii(data)
    if values.dtype.kind == "i" and (values == np.iinfo(values.dtype).min).any():
        report.caution(
            "sdf_lowest_value",
            f"Some heights are the type's lowest value ({np.iinfo(values.dtype).min}): perhaps "
            "points that were not measured.",
        )
    height = np.asarray(values, float) * (header["Zscale"] * 1e9)
    return RawHeight(height, "SDF", header["Xscale"] * 1e9, header["Yscale"] * 1e9)


def _checked(header: dict[str, float]) -> dict[str, float]:
    for name in ("NumPoints", "NumProfiles"):
        if header[name] != int(header[name]):
            raise Refused(f"header, {name}", f"{header[name]:g}", "a whole number")
    shape = (int(header["NumProfiles"]), int(header["NumPoints"]))
    limits.check_shape("header, NumProfiles x NumPoints", shape, limits.MAX_HEIGHT_PIXELS, "points")
    for name in ("Xscale", "Yscale", "Zscale"):
        if not (np.isfinite(header[name]) and header[name] > 0):
            raise Refused(f"header, {name}", f"{header[name]:g}", "a number above 0, metres")
    return header


def _binary(data: bytes) -> tuple[NDArray[Any], dict[str, float]]:
    if len(data) < _HEADER.size:
        raise Refused("header", f"{len(data)} bytes", f"a header of {_HEADER.size} bytes")
    version, _, _, _, points, profiles, x, y, z, _, packed, kind, _ = _HEADER.unpack_from(data)
    name = version.decode("latin-1").strip("\0 ")
    if not _VERSION.fullmatch(name):
        raise Refused("header, version", shown(name), _VERSIONS)
    header = _checked(dict(zip(_FIELDS, (points, profiles, x, y, z), strict=True)))
    if packed:
        raise Refused("header, Compression", str(packed), "0: data that are not compressed")
    if kind >= len(_TYPES):
        raise Refused("header, DataType", str(kind), "0 to 7")
    dtype = np.dtype(_TYPES[kind])
    needed = points * profiles * dtype.itemsize
    if len(data) < _HEADER.size + needed:
        raise Refused(
            "data",
            f"{len(data) - _HEADER.size} bytes",
            f"{needed} for {profiles} x {points} points",
        )
    values = np.frombuffer(data, dtype, points * profiles, _HEADER.size)
    return values.reshape(profiles, points), header


def _ascii(data: bytes) -> tuple[NDArray[Any], dict[str, float]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Refused("", f"byte {error.start} is no text", "SDF, ASCII or binary") from None
    head, mark, rest = text.partition("*")
    lines = head.split("\n")
    name = lines[0].strip("\0 \r")
    if not _VERSION.fullmatch(name):
        raise Refused("header, version", shown(name), _VERSIONS)
    if not mark:
        raise Refused("header", "no '*' behind it", "a header closed by '*'")
    header = _fields(lines[1 : _MAX_HEADER_LINES + 1])
    body, mark, _ = rest.partition("*")
    rows, cols = int(header["NumProfiles"]), int(header["NumPoints"])
    values = _numbers(body)
    if len(values) != rows * cols:
        raise Refused("data", f"{len(values)} values", f"{rows * cols} for {rows} x {cols} points")
    if not mark:
        raise Refused("data", "no '*' behind the data", "data closed by '*'")
    return values.reshape(rows, cols), header


def _fields(lines: list[str]) -> dict[str, float]:
    raw: dict[str, str] = {}
    for line in lines:
        name, equals, value = line.partition("=")
        if equals:
            raw[name.strip().lower()] = value.strip()
    header: dict[str, float] = {}
    for name in _FIELDS:
        text = raw.get(name.lower())
        if text is None:
            raise Refused(f"header, {name}", "nothing", "a number")
        try:
            header[name] = float(text)
        except ValueError:
            raise Refused(f"header, {name}", shown(text), "a number") from None
    if raw.get("compression", "0") != "0":
        raise Refused("header, Compression", shown(raw["compression"]), "0: not compressed")
    if not all(np.isfinite(header[name]) for name in ("NumPoints", "NumProfiles")):
        raise Refused("header, NumPoints", "a number that is not finite", "a whole number")
    return _checked(header)


def _numbers(text: str) -> NDArray[np.float64]:
    text = re.sub(r"(?<!\S)BAD(?!\S)", "nan", text, flags=re.IGNORECASE)
    if not text.strip():
        return np.empty(0)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return np.fromstring(text, sep=" ")
    except (ValueError, DeprecationWarning):
        pass
    for i, token in enumerate(text.split()):
        try:
            float(token)
        except ValueError:
            raise Refused(f"data, value {i + 1}", shown(token), "a number or BAD") from None
    raise Refused("data", "values that cannot be read", "numbers or BAD")
