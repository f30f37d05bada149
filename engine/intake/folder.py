"""A disc folder: opened, checked part by part, with every defect gathered."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.errors import Caution, Defect, FolderError
from engine.frames import Frame, FrameSettings, identity_frame
from engine.intake.calibration import RawCalibration, read_calibration
from engine.intake.clips import RawClip, read_clip
from engine.intake.curves import RawCurves
from engine.intake.formats import curve_reader, height_reader
from engine.intake.heights import HeightImage, place_image
from engine.intake.landmarks import read_landmarks
from engine.intake.manifest import ClipTable, Manifest, Probe
from engine.intake.manifest_reading import Parts, read_manifest
from engine.intake.mosaic import LookAt, MosaicSource, RawMosaic, mosaic_source
from engine.intake.mosaic_tiff import read_tiff_mosaic
from engine.intake.mosaic_zarr import read_zarr_mosaic
from engine.intake.paths import check_text, inside, links_out
from engine.intake.report import Refused, Report
from engine.intake.sites import SiteRow, SiteTable, read_sites
from engine.intake.slips import curve_slips, probe_slips
from engine.intake.suspect import curve_cautions, points_inside
from engine.intake.tiled import TiledMosaic

MANIFEST = "disc.toml"


@dataclass
class DiscFolder:
    """One disc folder.

    Reading never raises on bad input: what is wrong is appended to :attr:`defects`, what is
    suspicious to :attr:`cautions`, and the part comes back as None. :meth:`finish` raises.

    Attributes
    ----------
    path
        The folder.
    sites
        The sound rows of the table of sites.
    frame
        Stage to disc; the identity where no landmarks are given or they are wrong.
    defects, cautions
        All that was found so far.
    """

    path: Path
    sites: tuple[SiteRow, ...] = ()
    frame: Frame = field(default_factory=identity_frame)
    defects: list[Defect] = field(default_factory=list)
    cautions: list[Caution] = field(default_factory=list)
    _parts: Parts = field(default_factory=Parts)
    _faulty: tuple[SiteRow, ...] = ()
    _mosaic: RawMosaic | None = None
    _tiles: TiledMosaic | None = None
    _clips: dict[str, RawClip | None] = field(default_factory=dict)
    _calibrations: dict[str, RawCalibration | None] = field(default_factory=dict)

    @property
    def manifest(self) -> Manifest:
        """The manifest.

        Raises
        ------
        FolderError
            If the manifest has a defect; the rest of the folder is checked first.
        """
        if self._parts.manifest is None:
            self.check()
            raise FolderError(self.defects)
        return self._parts.manifest

    def mosaic(self, progress: Callable[[float], None] | None = None) -> MosaicSource | None:
        """Open the mosaic; None, with the defects told, if it is wrong.

        Parameters
        ----------
        progress
            Told the share done while tiles are placed.
        """
        parts = self._parts
        if parts.mosaic_tiles is not None:
            return self._tiled(parts.mosaic_tiles).source(parts, progress)
        if parts.mosaic_file is None:
            return None
        report = self.report_on(parts.mosaic_file)
        manifest = self.report_on(MANIFEST)
        if self._mosaic is None:
            self._mosaic = self._open_mosaic(parts.mosaic_file, manifest, report)
        if self._mosaic is None:
            return None
        return mosaic_source(
            self._mosaic,
            parts.mosaic_channels,
            parts.mosaic_pixel_um,
            parts.mosaic_pixel_given,
            manifest,
            report,
        )

    def tile_files(self) -> tuple[str, ...]:
        """Paths of the mosaic's tiles, relative to the folder; none where it is one image."""
        table = self._parts.mosaic_tiles
        return () if table is None else self._tiled(table).files()

    def curves(self, site: SiteRow) -> RawCurves | None:
        """Read a site's curves; None where there are none or, with defects told, wrong ones."""
        path = self._file(site, "curves", site.curves)
        if path is None or site.curves is None:
            return None
        report = self.report_on(site.curves, site.site)
        curves = None
        with report.reading():
            curves = curve_reader(path)(path, report)
        if curves is None or not self._volts_known(curves, site, report):
            return None
        probe = self._parts.probes.get(site.probe)
        for name, sentence in (*curve_cautions(curves), *curve_slips(curves, probe)):
            report.caution(name, sentence)
        return curves

    def height(self, site: SiteRow) -> HeightImage | None:
        """Read a site's height image; None where there is none or, with defects told, a bad one."""
        path = self._file(site, "topography", site.topography)
        if path is None or site.topography is None:
            return None
        report = self.report_on(site.topography, site.site)
        with report.reading():
            raw = height_reader(path)(path, report)
            return place_image(raw, site.width_um, site.height_um, report)
        return None

    def calibration(self, probe: Probe) -> RawCalibration | None:
        """Read a probe's calibration files; None without any or, with defects told, wrong ones."""
        if probe.name not in self._calibrations:
            manifest = self.report_on(MANIFEST)
            found = read_calibration(self.path, probe, manifest, self.report_on)
            self._calibrations[probe.name] = found
        return self._calibrations[probe.name]

    def clip(self, table: ClipTable) -> RawClip | None:
        """Open a clip; None, with the defects told, if it is wrong."""
        if table.name not in self._clips:
            place = f"[[clips]] {self.clips.index(table) + 1}"
            found = read_clip(self.path, table.file, place, self.report_on(MANIFEST))
            self._clips[table.name] = found
        return self._clips[table.name]

    @property
    def clips(self) -> tuple[ClipTable, ...]:
        """The sound tables of clips."""
        return self._parts.clips

    @property
    def probes(self) -> tuple[Probe, ...]:
        """The sound probes."""
        return tuple(self._parts.probes.values())

    def report_on(self, file: str, site: str = "") -> Report:
        """Make a report on one file that adds to this folder's defects and cautions."""
        return Report(file, site, self.defects, self.cautions)

    def check(self, look: LookAt | None = None) -> None:
        """Read everything once, keep nothing: all defects and cautions are told afterwards.

        Parameters
        ----------
        look
            Shown the rows of the mosaic as they are read.
        """
        for probe in self.probes:
            self.calibration(probe)
        for table in self.clips:
            clip = self.clip(table)
            if clip is not None:
                with self.report_on(table.file).reading():
                    clip.check()
        mosaic = self.mosaic()
        if mosaic is not None:
            mosaic.check(look)
        for site in self.sites:
            self.curves(site)
            self.height(site)
        self.site_off_disc(())

    def finish(self) -> None:
        """Raise if anything was wrong.

        Raises
        ------
        FolderError
            With every defect found.
        """
        if self.defects:
            raise FolderError(self.defects)

    def site_off_disc(self, outline_um: ArrayLike) -> list[Caution]:
        """Caution the sites whose centre lies off the tissue; the new cautions are given back.

        Parameters
        ----------
        outline_um
            Polygon in the disc frame, (m, 2) micrometres. With fewer than three corners the
            mosaic's own edge is taken for it.
        """
        outline = np.asarray(outline_um, float).reshape(-1, 2)
        if len(outline) < 3:
            outline = self._mosaic_edge()
        if len(outline) < 3 or not self.sites:
            return []
        before = len(self.cautions)
        centres = self.frame.to_disc([[s.x_um, s.y_um] for s in self.sites])
        within = points_inside(centres, outline)
        told = {c.site for c in self.cautions if c.name == "site_off_disc"}
        for site, (x, y), on in zip(self.sites, centres, within, strict=True):
            if not on and site.site not in told:
                self.report_on("", site.site).caution(
                    "site_off_disc",
                    f"The site's centre, ({x:.0f}, {y:.0f}) um in the disc frame, is off the disc.",
                )
        return self.cautions[before:]

    def _mosaic_edge(self) -> NDArray[np.float64]:
        source = self.mosaic()
        if source is None:
            return np.empty((0, 2))
        _, rows, cols = source.shape
        low, high_x, high_y = -0.5, cols - 0.5, rows - 0.5
        corners = [[low, low], [high_x, low], [high_x, high_y], [low, high_y]]
        return np.array(corners) * source.pixel_um + source.origin_um[::-1]

    def _file(self, site: SiteRow, column: str, text: str | None) -> Path | None:
        if text is None:
            return None
        with self.report_on(self._parts.sites).reading():
            return inside(self.path, site.place(column), text)
        return None

    def _open_mosaic(self, file: str, manifest: Report, report: Report) -> RawMosaic | None:
        path, folder = None, False
        with manifest.reading():
            check_text("[mosaic] file", file)
            folder = (self.path / file).is_dir()
            path = inside(self.path, "[mosaic] file", file, folder=folder)
        if path is None:
            return None
        with report.reading():
            if not folder:
                return read_tiff_mosaic(path, report)
            for link in links_out(path, self.path):
                raise Refused(link, "a link that leads out of the disc folder", "data inside it")
            return read_zarr_mosaic(path, report)
        return None

    def _tiled(self, table: str) -> TiledMosaic:
        if self._tiles is None:
            self._tiles = TiledMosaic(self.path, self.report_on(table), self.report_on(MANIFEST))
        return self._tiles

    def _volts_known(self, curves: RawCurves, site: SiteRow, report: Report) -> bool:
        probe = self._parts.probes.get(site.probe)
        if probe is None or probe.sensitivity_nm_per_V is not None:
            return True
        if probe.calibration is not None and probe.calibration.stiff_curve is not None:
            return True
        segments = (curves.approach, curves.retract)
        if all(part is None or part.deflection_unit != "V" for part in segments):
            return True
        manifest = report.beside(MANIFEST)
        place = f"[probes.{site.probe}] sensitivity_nm_per_V"
        if not manifest.tells(place):  # one missing key, however many files miss it
            manifest.defect(
                place,
                f"nothing, but the deflection in {report.file} is in volts",
                "a sensitivity, a calibration with a stiff_curve, or deflections in nm or nN",
            )
        return False


def open_folder(path: Path | str) -> DiscFolder:
    """Open a disc folder and check its tables; files of data are read when they are asked for.

    Parameters
    ----------
    path
        The folder.
    """
    folder = DiscFolder(Path(path))
    if not folder.path.is_dir():
        found = "a file" if folder.path.exists() else "nothing"
        Report(str(path), "", folder.defects).defect("", found, f"a folder with a {MANIFEST}")
        return folder
    manifest = folder.report_on(MANIFEST)
    with manifest.reading():
        folder._parts = read_manifest(_top(folder.path, MANIFEST, ""), manifest)
    _read_frame(folder, manifest)
    _read_table(folder, manifest)
    return folder


def _top(root: Path, text: str, place: str) -> Path:
    try:
        return inside(root, place, text)
    except Refused as stop:
        found = "nothing" if stop.found.endswith("not there") and not place else stop.found
        raise Refused(stop.place, found, stop.expected) from None


def _read_frame(folder: DiscFolder, manifest: Report) -> None:
    text = folder._parts.landmarks
    if text is None:
        if folder._parts.known and (folder.path / "landmarks.csv").exists():
            manifest.caution(
                "landmarks_unused",
                "landmarks.csv lies in the folder but disc.toml names none under [frame]: the "
                "stage is taken for the disc.",
            )
        return
    path = None
    with manifest.reading():
        path = inside(folder.path, "[frame] landmarks", text)
    if path is not None:
        report = folder.report_on(text)
        with report.reading():
            settings = FrameSettings(method=folder._parts.frame_method or "similarity")
            folder.frame = read_landmarks(path, report, settings) or folder.frame


def _read_table(folder: DiscFolder, manifest: Report) -> None:
    parts = folder._parts
    path = None
    with manifest.reading():
        path = inside(folder.path, "sites", parts.sites)
    if path is None:
        return
    names = parts.probe_names or None
    report = folder.report_on(parts.sites)
    table = SiteTable((), ())
    with report.reading():
        table = read_sites(path, names, report)
    folder.sites, folder._faulty = table.sound, table.faulty
    for site in table.faulty:
        # the folder is refused anyway; its other defects shall stand in the same listing
        folder.curves(site)
        folder.height(site)
    _kind_cautions(folder)


def _kind_cautions(folder: DiscFolder) -> None:
    disc = folder.report_on(MANIFEST)
    for probe in folder.probes:
        for name, sentence in probe_slips(probe):
            disc.caution(name, sentence)
    for site in folder.sites:
        report = folder.report_on("", site.site)
        if site.kind == "bead-map" and site.curves is None:
            report.caution("map_without_curves", "The site is a bead-map but has no curves.")
        if site.kind == "nano-image" and site.topography is None:
            report.caution("image_without_height", "The site is a nano-image but has no image.")
