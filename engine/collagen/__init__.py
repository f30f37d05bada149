"""The collagen network: levelling, surface texture, fibrils, orientation and banding."""

from engine.collagen.analyse import analyse_height
from engine.collagen.banding import Banding
from engine.collagen.flags import FLAGS
from engine.collagen.levelling import Levelled, level
from engine.collagen.network import ThicknessSummary
from engine.collagen.results import FibrilPaths, FibrilPieces, NetworkAnalysis
from engine.collagen.settings import CollagenSettings
from engine.collagen.texture import TextureResult, texture
from engine.collagen.tip import ImageTip, erode

__all__ = [
    "FLAGS",
    "Banding",
    "CollagenSettings",
    "FibrilPaths",
    "FibrilPieces",
    "ImageTip",
    "Levelled",
    "NetworkAnalysis",
    "TextureResult",
    "ThicknessSummary",
    "analyse_height",
    "erode",
    "level",
    "texture",
]
