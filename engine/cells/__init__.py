"""Cells: from a nuclei image to cells, their groups, and a pattern grade one can defend."""

from engine.cells.arrangement import Clustering, Neighbours, clustering, neighbours
from engine.cells.border import WindowStability, window_stability
from engine.cells.by_hand import CorrectedNuclei, correct_nuclei
from engine.cells.detection import NucleiDetection, detect_nuclei
from engine.cells.fields import CellFields, cell_fields
from engine.cells.flags import FLAGS
from engine.cells.grade import GroupGrades, grade_groups
from engine.cells.graph import NeighbourGraph, neighbour_graph
from engine.cells.intensities import CellIntensities, measure_cells
from engine.cells.nearest import (
    ClarkEvans,
    Density,
    clark_evans,
    density,
    nearest_distribution,
)
from engine.cells.orientation import OrientationField, orientation_field
from engine.cells.outline import tissue_outline
from engine.cells.patterns import NO_PATTERN, PATTERNS, pattern_name
from engine.cells.region_window import RegionWindow, region_window
from engine.cells.ripley import (
    Envelope,
    PairCorrelation,
    l_envelope,
    pair_correlation,
    ripley_k,
    ripley_l,
)
from engine.cells.settings import CellsSettings
from engine.cells.windows import WindowGrades, grade_windows

__all__ = [
    "FLAGS",
    "NO_PATTERN",
    "PATTERNS",
    "CellFields",
    "CellIntensities",
    "CellsSettings",
    "ClarkEvans",
    "Clustering",
    "CorrectedNuclei",
    "Density",
    "Envelope",
    "GroupGrades",
    "NeighbourGraph",
    "Neighbours",
    "NucleiDetection",
    "OrientationField",
    "PairCorrelation",
    "RegionWindow",
    "WindowGrades",
    "WindowStability",
    "cell_fields",
    "clark_evans",
    "clustering",
    "correct_nuclei",
    "density",
    "detect_nuclei",
    "grade_groups",
    "grade_windows",
    "l_envelope",
    "measure_cells",
    "nearest_distribution",
    "neighbour_graph",
    "neighbours",
    "orientation_field",
    "pair_correlation",
    "pattern_name",
    "region_window",
    "ripley_k",
    "ripley_l",
    "tissue_outline",
    "window_stability",
]
