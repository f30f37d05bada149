"""Cells: from a nuclei image to cells, their groups, and a pattern grade one can defend."""

from engine.cells.detection import NucleiDetection, detect_nuclei
from engine.cells.flags import FLAGS
from engine.cells.grade import GroupGrades, grade_groups
from engine.cells.graph import NeighbourGraph, neighbour_graph
from engine.cells.outline import tissue_outline
from engine.cells.patterns import NO_PATTERN, PATTERNS, pattern_name
from engine.cells.settings import CellsSettings
from engine.cells.windows import WindowGrades, grade_windows

__all__ = [
    "FLAGS",
    "NO_PATTERN",
    "PATTERNS",
    "CellsSettings",
    "GroupGrades",
    "NeighbourGraph",
    "NucleiDetection",
    "WindowGrades",
    "detect_nuclei",
    "grade_groups",
    "grade_windows",
    "neighbour_graph",
    "pattern_name",
    "tissue_outline",
]
