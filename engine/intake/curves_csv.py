"""Force curves in CSV: ``row,col,segment,z [unit],deflection [unit]``, one line a sample."""

import csv
import io
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from engine.intake import limits
from engine.intake.curves import (
    DEFLECTION_UNITS,
    Z_UNITS,
    DeflectionUnit,
    RawCurves,
    RawSegment,
    ZUnit,
    finish,
)
from engine.intake.report import Refused, Report, shown
from engine.intake.text import read_text

MAX_CSV_BYTES = 2**31
"""Largest table of curves, bytes; HDF5 is the form for more."""
_COLUMNS = ("row", "col", "segment")
_PADDING = 64
"""Most cells of the padded grid for each line of the table."""
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Header:
    names: list[str]
    units: dict[str, str]


@dataclass
class _Faults:
    """Defects of many lines, told once each with the first line and their number."""

    first: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)
    count: dict[tuple[str, str], int] = field(default_factory=dict)

    def add(self, line: int, column: str, found: str, expected: str) -> None:
        key = (column, expected)
        self.first.setdefault(key, (line, found))
        self.count[key] = self.count.get(key, 0) + 1

    def tell(self, report: Report) -> None:
        for (column, expected), (line, found) in self.first.items():
            more = self.count[column, expected] - 1
            also = f" (and on {more} more line(s))" if more else ""
            report.defect(
                f"line {line}, {column}" if column else f"line {line}", found + also, expected
            )


def read_csv(path: Path, report: Report) -> RawCurves | None:
    """Read the curves of one site; every defect is told.

    Parameters
    ----------
    path
        The file.
    report
        Takes the defects.
    """
    text = read_text(path, MAX_CSV_BYTES)
    header = _header(text, report)
    if header is None:
        return None
    before = len(report.defects)
    table = _fast(text, header)
    if table is None:
        table = _careful(text, header, report)
    if len(report.defects) > before or table is None:
        return None
    if table.empty:
        raise Refused("", "no sample below the header", "one line a sample")
    if not text.endswith(("\n", "\r")):
        _check_end(table)
    return _curves(table, header, report)


def _check_end(table: pd.DataFrame) -> None:
    """Refuse a table that breaks off inside its last line: the last curve then is the shortest."""
    alike = table[table["segment"] == table["segment"].iloc[-1]]
    row, col = int(alike["row"].iloc[-1]), int(alike["col"].iloc[-1])
    last = ((alike["row"] == row) & (alike["col"] == col)).to_numpy()
    others = alike[~last].groupby(["row", "col"]).size().to_numpy()
    if len(others) and last.sum() < others.min():
        raise Refused(
            f"row {row}, col {col}",
            f"an end inside a line, {last.sum()} samples into {alike['segment'].iloc[-1]}",
            f"a whole file: the other curves have {others.min()} or more",
        )


def _header(text: str, report: Report) -> _Header | None:
    first = next(csv.reader(io.StringIO(text[: 2**16])), None)
    expected = "row,col,segment,z [unit],deflection [unit]"
    if not first:
        report.defect("", "an empty file", f"a header row: {expected}")
        return None
    names, units = [], {}
    for cell in first:
        match = re.fullmatch(r"\s*(z|deflection)\s*\[\s*(.*?)\s*\]\s*", cell)
        name = match[1] if match else cell.strip()
        if match:
            units[name] = match[2]
        names.append(name)
    before = len(report.defects)
    for name in (*_COLUMNS, "z", "deflection"):
        if names.count(name) != 1:
            found = "no such column" if name not in names else "the column more than once"
            report.defect(f"header, {name}", found, expected)
    for name, known in (("z", Z_UNITS), ("deflection", DEFLECTION_UNITS)):
        if name in names and units.get(name) not in known:
            unit = shown(units[name]) if name in units else "no unit"
            report.defect(f"header, {name}", unit, f"{name} [unit] with one of {', '.join(known)}")
    return _Header(names, units) if len(report.defects) == before else None


def _fast(text: str, header: _Header) -> pd.DataFrame | None:
    """Read a regular table at once; None where any line is not regular."""
    body = text.rstrip("\r\n")
    if '"' in text or body.count(",") != (len(header.names) - 1) * (body.count("\n") + 1):
        return None
    types = {
        "row": "int64",
        "col": "int64",
        "segment": "str",
        "z": "float64",
        "deflection": "float64",
    }
    try:
        table = pd.read_csv(
            io.StringIO(body),
            header=0,
            names=header.names,
            usecols=list(types),
            dtype=types,
            keep_default_na=False,
            na_values={"z": ["nan", "NaN", "NAN"], "deflection": ["nan", "NaN", "NAN"]},
            skip_blank_lines=False,
        )
    except (ValueError, OverflowError, pd.errors.ParserError):
        return None
    table["segment"] = table["segment"].str.strip()
    sound = (
        table["segment"].isin(("approach", "retract")) & (table["row"] >= 0) & (table["col"] >= 0)
    )
    return table if bool(sound.all()) else None


def _careful(text: str, header: _Header, report: Report) -> pd.DataFrame | None:
    """Read line by line and tell what is wrong with which."""
    faults = _Faults()
    where = {name: header.names.index(name) for name in (*_COLUMNS, "z", "deflection")}
    parse: dict[str, tuple[Callable[[str], object], str]] = {
        "row": (_count, "a whole number from 0"),
        "col": (_count, "a whole number from 0"),
        "segment": (_direction, "approach or retract"),
        "z": (float, "a number"),
        "deflection": (float, "a number"),
    }
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    next(reader)
    columns: dict[str, list[object]] = {name: [] for name in parse}
    for line, cells in _lines(reader, faults):
        if len(cells) != len(header.names):
            faults.add(line, "", f"{len(cells)} cells", f"{len(header.names)}, as in the header")
            continue
        for name, (function, expected) in parse.items():
            cell = cells[where[name]].strip()
            try:
                columns[name].append(function(cell))
            except ValueError:
                columns[name].append(0)
                faults.add(line, name, shown(cell) if cell else "an empty cell", expected)
    faults.tell(report)
    return None if faults.first else pd.DataFrame(columns)


def _lines(reader: Iterable[list[str]], faults: _Faults) -> Iterable[tuple[int, list[str]]]:
    line = 1
    lines = iter(reader)
    while True:
        line += 1
        try:
            cells = next(lines, None)
        except csv.Error as error:
            faults.add(line, "", f"no valid row ({error})", "comma separated cells")
            return
        if cells is None:
            return
        if any(cell.strip() for cell in cells):
            yield line, cells


def _count(text: str) -> int:
    value = int(text)
    if value < 0 or "_" in text:
        raise ValueError(text)
    return value


def _direction(text: str) -> str:
    if text not in {"approach", "retract"}:
        raise ValueError(text)
    return text


def _curves(table: pd.DataFrame, header: _Header, report: Report) -> RawCurves | None:
    rows, cols = int(table["row"].max()) + 1, int(table["col"].max()) + 1
    limits.check_shape("row, col", (rows, cols), limits.MAX_CURVES, "curves")
    going = table["segment"].to_numpy() == "approach"
    if not going.any():
        raise Refused("segment", "no approach", "the approach of each curve")
    approach = _segment(table[going], rows, cols, header)
    retract = _segment(table[~going], rows, cols, header) if not going.all() else None
    if retract is not None:
        alone = (retract.lengths() > 0) & (approach.lengths() == 0)
        if alone.any():
            row, col = np.argwhere(alone)[0]
            raise Refused(f"row {row}, col {col}", "a retract alone", "an approach before it")
    return finish(approach, retract, None, None, report)


def _segment(table: pd.DataFrame, rows: int, cols: int, header: _Header) -> RawSegment:
    curve = table["row"].to_numpy() * cols + table["col"].to_numpy()
    order = np.argsort(curve, kind="stable")
    curve = curve[order]
    counts = np.bincount(curve, minlength=rows * cols)
    samples = max(int(counts.max()), 2)
    padded = rows * cols * samples
    if padded > limits.MAX_CURVE_VALUES or padded > _PADDING * len(table) + 2**20:
        raise Refused(
            "row, col",
            f"a grid of {rows} x {cols} curves of up to {samples} samples from {len(table)} lines",
            "a grid that the lines fill",
        )
    at = np.arange(len(curve)) - np.repeat(np.cumsum(counts) - counts, counts)
    z = np.full((rows * cols, samples), np.nan)
    deflection = np.full((rows * cols, samples), np.nan)
    z[curve, at] = table["z"].to_numpy(float)[order]
    deflection[curve, at] = table["deflection"].to_numpy(float)[order]
    return RawSegment(
        z.reshape(rows, cols, samples),
        cast(ZUnit, header.units["z"]),
        1.0,
        0.0,
        deflection.reshape(rows, cols, samples),
        cast(DeflectionUnit, header.units["deflection"]),
        1.0,
        0.0,
    )
