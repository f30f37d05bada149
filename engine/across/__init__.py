"""Comparing and joining across sites: medians, differences, slopes, regions, nearest partners."""

from engine.across.attenuation import reliability
from engine.across.differences import Shift, hodges_lehmann
from engine.across.flags import FLAGS
from engine.across.intervals import MedianInterval, median_with_interval
from engine.across.join import NearestJoin, nearest_join, within_window
from engine.across.polygons import points_in_polygon, points_in_polygons, polygon_area_mm2
from engine.across.ranks import Dominance, RankTest, brunner_munzel, cliffs_delta
from engine.across.regions import (
    PairDifference,
    RegionCells,
    RegionComparison,
    RegionSummary,
    SiteTable,
    compare_regions,
    count_cells,
)
from engine.across.settings import AcrossSettings
from engine.across.slopes import PairSlope, SlopeFit, slope_with_band, theil_sen

__all__ = [
    "FLAGS",
    "AcrossSettings",
    "Dominance",
    "MedianInterval",
    "NearestJoin",
    "PairDifference",
    "PairSlope",
    "RankTest",
    "RegionCells",
    "RegionComparison",
    "RegionSummary",
    "Shift",
    "SiteTable",
    "SlopeFit",
    "brunner_munzel",
    "cliffs_delta",
    "compare_regions",
    "count_cells",
    "hodges_lehmann",
    "median_with_interval",
    "nearest_join",
    "points_in_polygon",
    "points_in_polygons",
    "polygon_area_mm2",
    "reliability",
    "slope_with_band",
    "theil_sen",
    "within_window",
]
