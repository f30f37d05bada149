"""Intake: a disc folder read, checked and handed on as plain objects."""

from engine.intake.curves import RawCurves, RawSegment
from engine.intake.folder import DiscFolder, open_folder
from engine.intake.heights import HeightImage
from engine.intake.manifest import Disc, Manifest, Mosaic, Probe, Sample
from engine.intake.mosaic import MosaicSource
from engine.intake.sites import SiteRow

__all__ = [
    "Disc",
    "DiscFolder",
    "HeightImage",
    "Manifest",
    "Mosaic",
    "MosaicSource",
    "Probe",
    "RawCurves",
    "RawSegment",
    "Sample",
    "SiteRow",
    "open_folder",
]
