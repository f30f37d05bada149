"""The mosaic of a folder that hands over tiles: read and stitched once, then kept."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from engine.intake.manifest_reading import Parts
from engine.intake.mosaic import MosaicSource, mosaic_source
from engine.intake.paths import inside
from engine.intake.report import Report
from engine.intake.stitched import stitched_mosaic
from engine.intake.tiles import TileRow, open_tiles, read_tile_table


@dataclass
class TiledMosaic:
    """A table of tiles and what became of it.

    Attributes
    ----------
    root
        The disc folder.
    table
        Report on the table; its file is the table's path.
    manifest
        Report on ``disc.toml``.
    """

    root: Path
    table: Report
    manifest: Report
    _rows: tuple[TileRow, ...] | None = None
    _source: MosaicSource | None = None
    _rows_seen: bool = False
    _source_seen: bool = False

    def files(self) -> tuple[str, ...]:
        """Paths of the tiles, relative to the folder; none where the table is wrong."""
        return tuple(row.file for row in self._read_rows() or ())

    def source(
        self, parts: Parts, progress: Callable[[float], None] | None = None
    ) -> MosaicSource | None:
        """Stitch the tiles; None, with the defects told, if anything is wrong.

        Parameters
        ----------
        parts
            What the manifest says of channels and pixel size.
        progress
            Told the share done, 0 to 1.
        """
        if not self._source_seen:
            self._source_seen = True
            self._source = self._stitch(parts, progress)
        return self._source

    def _read_rows(self) -> tuple[TileRow, ...] | None:
        if not self._rows_seen:
            self._rows_seen = True
            path = None
            with self.manifest.reading():
                path = inside(self.root, "[mosaic] tiles", self.table.file)
            if path is not None:
                self._rows = read_tile_table(path, self.table)
        return self._rows

    def _stitch(
        self, parts: Parts, progress: Callable[[float], None] | None
    ) -> MosaicSource | None:
        rows = self._read_rows()
        stack = None if rows is None else open_tiles(self.root, rows, self.table)
        if stack is None:
            return None
        as_one = mosaic_source(
            stack.tiles[0],
            parts.mosaic_channels,
            parts.mosaic_pixel_um,
            parts.mosaic_pixel_given,
            self.manifest,
            self.table.beside(stack.rows[0].file),
        )
        if as_one is None:
            return None
        return stitched_mosaic(stack, as_one, self.table, progress=progress)
