"""Pictures of any box of a disc at any size: arrays in, RGBA out."""

from engine.view.box import Box
from engine.view.encode import encode_layers, encode_png
from engine.view.fields import FieldLayer
from engine.view.picture import Painter, Picture
from engine.view.scene import (
    CellLayer,
    CurveLayer,
    HeightLayer,
    MosaicLayer,
    Paint,
    Scene,
    Stain,
    TileLayer,
)
from engine.view.site_maps import SiteMapLayer, SiteMaps

__all__ = [
    "Box",
    "CellLayer",
    "CurveLayer",
    "FieldLayer",
    "HeightLayer",
    "MosaicLayer",
    "Paint",
    "Painter",
    "Picture",
    "Scene",
    "SiteMapLayer",
    "SiteMaps",
    "Stain",
    "TileLayer",
    "encode_layers",
    "encode_png",
]
