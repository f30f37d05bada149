"""Stitching: overlapping tiles become one image, band by band. Arrays in, arrays out."""

from engine.stitching.blend import Canvas, blend_rows, lay_out
from engine.stitching.flags import FLAGS, MOSAIC_FLAGS
from engine.stitching.flat import block_medians, estimate_flat, gain_rows, no_flat_field
from engine.stitching.graph import bodies
from engine.stitching.overlaps import OverlapSamples, sample_overlaps
from engine.stitching.pairs import judge_layout, overlapping_pairs, typical_overlap_px
from engine.stitching.register import measure_links, register_tiles
from engine.stitching.results import FlatField, Links, Registration
from engine.stitching.settings import StitchingSettings, settings_for_pixel
from engine.stitching.solve import solve_positions

__all__ = [
    "FLAGS",
    "MOSAIC_FLAGS",
    "Canvas",
    "FlatField",
    "Links",
    "OverlapSamples",
    "Registration",
    "StitchingSettings",
    "blend_rows",
    "block_medians",
    "bodies",
    "estimate_flat",
    "gain_rows",
    "judge_layout",
    "lay_out",
    "measure_links",
    "no_flat_field",
    "overlapping_pairs",
    "register_tiles",
    "sample_overlaps",
    "settings_for_pixel",
    "solve_positions",
    "typical_overlap_px",
]
