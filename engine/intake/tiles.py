"""``tiles.csv`` and the images it names: read, opened, and compared with each other."""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from engine.intake.mosaic import AGREE, RawMosaic
from engine.intake.mosaic_tiff import read_tiff_mosaic
from engine.intake.mosaic_zarr import read_zarr_mosaic
from engine.intake.paths import check_text, inside, links_out
from engine.intake.report import Refused, Report, shown
from engine.intake.text import number, read_table

COLUMNS = ("file", "x_um", "y_um")
KEPT_BYTES = 2**28
"""Decoded tiles are kept up to this size, for formats that can only be decoded whole."""
_FAR_UM = 1e9
_SAME_UM = 1e-3


@dataclass(frozen=True)
class TileRow:
    """One row of the table.

    Attributes
    ----------
    file
        Path relative to the disc folder.
    x_um, y_um
        Nominal centre of the tile's first pixel.
    line
        Line of the table.
    """

    file: str
    x_um: float
    y_um: float
    line: int

    def place(self, column: str) -> str:
        """Where a cell of this row stands, for messages."""
        return f"line {self.line}, {column}"


@dataclass(frozen=True)
class TileStack:
    """Tiles of one shape and type, read when they are asked for.

    Attributes
    ----------
    rows
        The table's rows.
    tiles
        The opened images, in the same order.
    table
        Report on the table; tiles' own defects go beside it.
    """

    rows: tuple[TileRow, ...]
    tiles: tuple[RawMosaic, ...]
    table: Report
    _kept: dict[tuple[int, int], NDArray[Any]] = field(default_factory=dict, repr=False)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Shape of every tile: (channels, rows, cols)."""
        return self.tiles[0].shape

    @property
    def position_um(self) -> NDArray[np.float64]:
        """Nominal positions (y, x), (n, 2)."""
        return np.array([[row.y_um, row.x_um] for row in self.rows], float).reshape(-1, 2)

    def read(self, channel: int, tile: int, first: int, stop: int) -> NDArray[Any]:
        """Rows ``first`` to ``stop`` (excluded) of a tile; zeros, a defect told, if corrupt."""
        raw = self.tiles[tile]
        count, cols = raw.shape[1:]
        if raw.rows_at_once < count or count * cols * raw.dtype.itemsize > KEPT_BYTES // 8:
            return self._decoded(channel, tile, first, stop)
        key = (channel, tile)
        whole = self._kept.pop(key, None)
        if whole is None:
            whole = self._decoded(channel, tile, 0, count)
        self._kept[key] = whole  # the latest stands last
        while sum(kept.nbytes for kept in self._kept.values()) > KEPT_BYTES:
            self._kept.pop(next(iter(self._kept)))
        return whole[first:stop]

    def _decoded(self, channel: int, tile: int, first: int, stop: int) -> NDArray[Any]:
        raw = self.tiles[tile]
        try:
            return raw.read_rows(channel, first, stop)
        except Exception as error:  # noqa: BLE001 - decoders raise anything on corrupt bytes
            report = self.table.beside(self.rows[tile].file)
            if not report.tells("image"):
                found = f"rows {first} to {stop - 1} cannot be read ({type(error).__name__})"
                report.defect("image", found, "an image that can be decoded")
        return np.zeros((stop - first, raw.shape[2]), raw.dtype)


def read_tile_table(path: Path, report: Report) -> tuple[TileRow, ...] | None:
    """Read the table of tiles; None, with the defects told, where it is wrong.

    Parameters
    ----------
    path
        The file.
    report
        Takes the defects.
    """
    before = len(report.defects)
    table = read_table(path, COLUMNS, report)
    if table is None:
        return None
    rows = []
    for row in table:
        cells = row.cells

        def place(column: str, line: int = row.line) -> str:
            return f"line {line}, {column}"

        with report.reading():
            check_text(place("file"), cells["file"])
        x_um, y_um = (
            number(cells[c], place(c), report, -_FAR_UM, _FAR_UM, "micrometres")
            for c in ("x_um", "y_um")
        )
        rows.append(TileRow(cells["file"], x_um, y_um, row.line))
    if not table and len(report.defects) == before:
        report.defect("", "no tile", "at least one row below the header")
    _check_repeats(rows, report)
    return tuple(rows) if len(report.defects) == before else None


def _check_repeats(rows: Iterable[TileRow], report: Report) -> None:
    files: dict[str, int] = {}
    places: dict[tuple[int, int], int] = {}
    for row in rows:
        if row.file and files.setdefault(row.file, row.line) != row.line:
            found = f"{shown(row.file)}, as on line {files[row.file]}"
            report.defect(row.place("file"), found, "each tile once")
        if not np.isfinite([row.x_um, row.y_um]).all():
            continue
        at = (round(row.x_um / _SAME_UM), round(row.y_um / _SAME_UM))
        if places.setdefault(at, row.line) != row.line:
            found = f"({row.x_um:g}, {row.y_um:g}) um, the same as on line {places[at]}"
            report.defect(row.place("x_um, y_um"), found, "a position of its own for each tile")


def open_tiles(root: Path, rows: tuple[TileRow, ...], table: Report) -> TileStack | None:
    """Open every tile; None, with the defects told, if one is missing, wrong or unlike the rest.

    Parameters
    ----------
    root
        The disc folder.
    rows
        The table's rows.
    table
        Report on the table.
    """
    opened = [_open(root, row, table) for row in rows]
    tiles = [tile for tile in opened if tile is not None]
    sound = _check_alike(rows, opened, table)
    if not sound or len(tiles) < len(rows):
        return None
    return TileStack(rows, tuple(tiles), table)


def _open(root: Path, row: TileRow, table: Report) -> RawMosaic | None:
    path, folder = None, False
    with table.reading():
        folder = (root / row.file).is_dir()
        path = inside(root, row.place("file"), row.file, folder=folder)
    if path is None:
        return None
    report = table.beside(row.file)
    with report.reading():
        if not folder:
            return read_tiff_mosaic(path, report)
        for link in links_out(path, root):
            raise Refused(link, "a link that leads out of the disc folder", "data inside it")
        return read_zarr_mosaic(path, report)
    return None


def _check_alike(rows: tuple[TileRow, ...], opened: list[RawMosaic | None], table: Report) -> bool:
    """Tell, once for each way of being different, which tiles are unlike most others."""
    traits: tuple[tuple[str, Callable[[RawMosaic], str]], ...] = (
        ("channels", lambda t: f"{t.shape[0]} channel(s)"),
        ("size", lambda t: f"{t.shape[1]} x {t.shape[2]} pixels (rows x columns)"),
        ("type", lambda t: str(t.dtype)),
    )
    sound = True
    for place, trait in traits:
        found = [None if tile is None else trait(tile) for tile in opened]
        counts = Counter(text for text in found if text is not None)
        if len(counts) < 2:
            continue
        usual, times = counts.most_common(1)[0]
        for text in sorted(set(counts) - {usual}):
            which = [row for row, other in zip(rows, found, strict=True) if other == text]
            more = f" (and in {len(which) - 1} more tile(s))" if len(which) > 1 else ""
            table.beside(which[0].file).defect(
                place, f"{text}{more}", f"{usual}, as in {times} other tile(s)"
            )
            sound = False
    return _check_pixels(rows, opened, table) and sound


def _check_pixels(rows: tuple[TileRow, ...], opened: list[RawMosaic | None], table: Report) -> bool:
    told = [
        (row, tile.pixel_um)
        for row, tile in zip(rows, opened, strict=True)
        if tile is not None and tile.pixel_um is not None
    ]
    if not told:
        return True
    usual = np.median([pixel for _, pixel in told], axis=0)
    for row, pixel in told:
        if np.abs(np.array(pixel) / usual - 1).max() > AGREE:
            table.beside(row.file).defect(
                "pixel size",
                f"{pixel[1]:g} um by {pixel[0]:g} um",
                f"{usual[1]:g} um by {usual[0]:g} um, as in most tiles",
            )
            return False
    return True
