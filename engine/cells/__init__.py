"""Cells: from a nuclei image to cells, their groups, and a pattern grade one can defend."""
