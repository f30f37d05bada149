"""Text files: UTF-8 or a clear word about where it isn't; tables of comma separated values."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from engine.intake.limits import MAX_TEXT_BYTES
from engine.intake.report import Refused, Report, shown

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    line
        Line of the file on which the row ends; the header is line 1.
    cells
        Cells by column name, stripped of surrounding spaces.
    """

    line: int
    cells: dict[str, str]


def read_text(path: Path, most_bytes: int) -> str:
    """Read a UTF-8 file, with or without a byte order mark.

    Raises
    ------
    Refused
        If it is larger than ``most_bytes`` or is not UTF-8; the line is told.
    """
    size = path.stat().st_size
    if size > most_bytes:
        raise Refused("", f"a file of {size} bytes", f"at most {most_bytes} bytes")
    data = path.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Refused(
            f"line {line}", f"the byte 0x{data[error.start]:02x}, no UTF-8", "UTF-8 text"
        ) from None


def read_table(path: Path, columns: Sequence[str], report: Report) -> list[Row] | None:
    """Read a table with a header row; further columns are kept.

    Parameters
    ----------
    path
        The file.
    columns
        Names of the columns that must be there.
    report
        Takes the defects. Rows with too few or too many cells are told and left out.

    Returns
    -------
    list of Row or None
        None if no row can be read at all.
    """
    with report.reading():
        text = read_text(path, MAX_TEXT_BYTES)
        return _rows(text, columns, report)
    return None


def _rows(text: str, columns: Sequence[str], report: Report) -> list[Row] | None:
    header: list[str] | None = None
    rows: list[Row] = []
    for line, cells in _lines(text, report):
        if header is None:
            header = cells
            if not _check_header(header, columns, report):
                return None
        elif len(cells) != len(header):
            found, expected = f"{len(cells)} cells", f"{len(header)}, as in the header"
            report.defect(f"line {line}", found, expected)
        else:
            rows.append(Row(line, dict(zip(header, cells, strict=True))))
    if header is None:
        report.defect("", "an empty file", "a header row: " + ",".join(columns))
        return None
    return rows


def _lines(text: str, report: Report) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            report.defect(f"line {reader.line_num}", f"no valid row ({error})", "a quoted table")
            return
        if cells is None:
            return
        cells = [cell.strip() for cell in cells]
        if any(cells):
            yield reader.line_num, cells


def _check_header(header: list[str], columns: Sequence[str], report: Report) -> bool:
    sound = True
    for name in columns:
        if header.count(name) != 1:
            times = "no such column" if name not in header else "the column more than once"
            report.defect(f"header, {name}", times, f"the columns {','.join(columns)}")
            sound = False
    return sound


def number(
    text: str,
    place: str,
    report: Report,
    low: float,
    high: float,
    what: str,
    *,
    above: bool = False,
) -> float:
    """Read a number from a cell; NaN, with a defect told, if it is none or out of range.

    Parameters
    ----------
    text
        The cell.
    place
        Where it stands.
    report
        Takes the defect.
    low, high
        Smallest and largest value.
    what
        The unit, or what is meant.
    above
        Whether the value must exceed ``low``.
    """
    bound = f"above {low:g} and at most {high:g}" if above else f"from {low:g} to {high:g}"
    expected = f"a number {bound}, {what}"
    if not _NUMBER.fullmatch(text):
        report.defect(place, shown(text) if text else "an empty cell", expected)
        return float("nan")
    value = float(text)
    if not (low < value if above else low <= value) or not value <= high:
        report.defect(place, text, expected)
        return float("nan")
    return value
