"""The collagen network: levelling, surface texture, fibrils, orientation and banding."""

from engine.collagen.along import LineProfile, profile_along
from engine.collagen.analyse import analyse_height
from engine.collagen.areal_filter import filter_surface, transmission
from engine.collagen.band_marks import BandMarks
from engine.collagen.banding import Banding
from engine.collagen.comparability import Basis, CommonGround, comparable, to_common_ground, unlike
from engine.collagen.dividing import Dividing
from engine.collagen.faults import ScanFaults, find_faults
from engine.collagen.flags import FLAGS
from engine.collagen.levelling import Levelled, level, preview
from engine.collagen.match import HeightMatch, match_heights
from engine.collagen.material_ratio import MaterialRatio, material_ratio
from engine.collagen.network import ThicknessSummary
from engine.collagen.orientation import OrientationField
from engine.collagen.results import FibrilPaths, FibrilPieces, NetworkAnalysis
from engine.collagen.scale import SurfaceCurves, power_spectral_density, sq_against_window
from engine.collagen.settings import CollagenSettings
from engine.collagen.surface import MeasuredSurface, measure_surface
from engine.collagen.texture import TextureResult, texture
from engine.collagen.tip import ImageTip, erode
from engine.collagen.tip_bound import TipBound, radius_bound

__all__ = [
    "FLAGS",
    "BandMarks",
    "Banding",
    "Basis",
    "CollagenSettings",
    "CommonGround",
    "Dividing",
    "FibrilPaths",
    "FibrilPieces",
    "HeightMatch",
    "ImageTip",
    "Levelled",
    "LineProfile",
    "MaterialRatio",
    "MeasuredSurface",
    "NetworkAnalysis",
    "OrientationField",
    "ScanFaults",
    "SurfaceCurves",
    "TextureResult",
    "ThicknessSummary",
    "TipBound",
    "analyse_height",
    "comparable",
    "erode",
    "filter_surface",
    "find_faults",
    "level",
    "match_heights",
    "material_ratio",
    "measure_surface",
    "power_spectral_density",
    "preview",
    "profile_along",
    "radius_bound",
    "sq_against_window",
    "texture",
    "to_common_ground",
    "transmission",
    "unlike",
]
