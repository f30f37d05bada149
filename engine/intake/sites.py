"""``sites.csv``: one row a measured site."""

import math
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, cast

from engine.intake.manifest import ID_EXPECTED, ID_LETTERS, ID_PATTERN
from engine.intake.paths import check_text
from engine.intake.report import Refused, Report, shown
from engine.intake.text import Row, number, read_table

Kind = Literal["bead-map", "nano-image"]
KINDS: tuple[Kind, ...] = ("bead-map", "nano-image")
COLUMNS = (
    "site", "kind", "probe", "x_um", "y_um", "rotation_deg", "width_um", "height_um",
    "curves", "topography", "note",
)  # fmt: skip
_OPTIONAL = ("rotation_deg", "curves", "topography", "note")
_FAR_UM = 1e9
_WIDE_UM = 1e6


@dataclass(frozen=True)
class SiteRow:
    """One site as handed over.

    Attributes
    ----------
    site, kind, probe
        As in the contract.
    x_um, y_um
        Centre in the stage frame.
    rotation_deg
        Turn of u from the stage's +x towards +y.
    width_um, height_um
        Size along u and v.
    curves, topography
        Paths relative to the folder; None where not given.
    note
        Free text.
    line
        Line of the table.
    further
        Cells of the table's further columns.
    """

    site: str
    kind: Kind
    probe: str
    x_um: float
    y_um: float
    rotation_deg: float
    width_um: float
    height_um: float
    curves: str | None
    topography: str | None
    note: str
    line: int
    further: dict[str, str] = field(default_factory=dict)

    def place(self, column: str) -> str:
        """Where a cell of this row stands, for messages."""
        return f"line {self.line}, site {self.site}, {column}"


@dataclass(frozen=True)
class SiteTable:
    """Rows of the table: the sound ones, and those with a defect whose files can be looked at."""

    sound: tuple[SiteRow, ...]
    faulty: tuple[SiteRow, ...]


def read_sites(path: Path, probes: Collection[str] | None, report: Report) -> SiteTable:
    """Read the table of sites; a defect in one row hides no other.

    Parameters
    ----------
    path
        The file.
    probes
        Names of the probes; None where they are not known.
    report
        Takes the defects.
    """
    needed = [column for column in COLUMNS if column not in _OPTIONAL]
    rows = read_table(path, needed, report)
    if rows is None:
        return SiteTable((), ())
    sound: list[SiteRow] = []
    faulty: list[SiteRow] = []
    seen: dict[str, int] = {}
    before = len(report.defects)
    for row in rows:
        told = len(report.defects)
        site = _site(row, probes, report)
        first = seen.setdefault(site.site, row.line)
        if first != row.line and site.site:
            report.defect(
                site.place("site"), f"{shown(site.site)}, as on line {first}", "each site once"
            )
        (sound if len(report.defects) == told else faulty).append(site)
    if not rows and len(report.defects) == before:
        report.defect("", "no site", "at least one row below the header")
    return SiteTable(tuple(sound), tuple(faulty))


def _site(row: Row, probes: Collection[str] | None, report: Report) -> SiteRow:
    cells = row.cells
    name = cells["site"]

    def place(column: str) -> str:
        return f"line {row.line}, site {name}, {column}"

    if not re.fullmatch(ID_PATTERN, name) or len(name) > ID_LETTERS:
        report.defect(place("site"), shown(name) if name else "an empty cell", ID_EXPECTED)
    if cells["kind"] not in KINDS:
        report.defect(place("kind"), shown(cells["kind"]), " or ".join(KINDS))
    if probes is not None and cells["probe"] not in probes:
        names = ", ".join(sorted(probes)) or "none is there"
        report.defect(
            place("probe"), shown(cells["probe"]), f"the name of a table under [probes]: {names}"
        )
    turn = cells.get("rotation_deg", "")
    site = SiteRow(
        site=name,
        kind=cast(Kind, cells["kind"]),
        probe=cells["probe"],
        x_um=number(cells["x_um"], place("x_um"), report, -_FAR_UM, _FAR_UM, "micrometres"),
        y_um=number(cells["y_um"], place("y_um"), report, -_FAR_UM, _FAR_UM, "micrometres"),
        rotation_deg=number(turn, place("rotation_deg"), report, -360, 360, "degrees")
        if turn
        else 0.0,
        width_um=_size(cells, "width_um", place("width_um"), report),
        height_um=_size(cells, "height_um", place("height_um"), report),
        curves=_path(cells, "curves", place("curves"), report),
        topography=_path(cells, "topography", place("topography"), report),
        note=cells.get("note", ""),
        line=row.line,
        further={key: text for key, text in cells.items() if key not in COLUMNS},
    )
    if not cells.get("curves") and not cells.get("topography"):
        report.defect(
            f"line {row.line}, site {name}", "neither curves nor topography", "at least one of them"
        )
    return site


def _size(cells: dict[str, str], column: str, place: str, report: Report) -> float:
    return number(cells[column], place, report, 0, _WIDE_UM, "micrometres", above=True)


def _path(cells: dict[str, str], column: str, place: str, report: Report) -> str | None:
    text = cells.get(column, "")
    if not text:
        return None
    try:
        check_text(place, text)
    except Refused as stop:
        report.defect(stop.place, stop.found, stop.expected)
        return None
    return text


def is_sized(site: SiteRow) -> bool:
    """Whether the row's width and height could be read."""
    return math.isfinite(site.width_um) and math.isfinite(site.height_um)
