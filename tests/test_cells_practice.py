"""The practice discs, where they lie beside the checkout: the bars the cells part has to reach."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from score_cells import score
from shapely import Polygon, contains_xy

from engine.cells import (
    PATTERNS,
    detect_nuclei,
    grade_groups,
    grade_windows,
    neighbour_graph,
    tissue_outline,
)

PRACTICE = Path(__file__).parents[2] / "shared" / "practice"
NAMES = np.array([*PATTERNS, None], dtype=object)


@pytest.mark.practice
@pytest.mark.skipif(not PRACTICE.exists(), reason="the practice discs are not beside the checkout")
@pytest.mark.parametrize("name", ["", "small"])
def test_bars_are_reached(name):
    import tifffile

    folder = PRACTICE / name
    image = tifffile.imread(next((folder / "disc" / "mosaic").glob("*.tif")))
    sites = pd.read_csv(folder / "truth" / "sites.csv")
    found = detect_nuclei(image, 0.65)
    xy = np.column_stack([found.x_um, found.y_um])
    graph = neighbour_graph(xy)
    grades = grade_groups(xy, graph)
    centres = sites[["x_um", "y_um"]].to_numpy()
    window = grade_windows(centres, xy, graph, grades)
    tables = {
        "cells": pd.DataFrame(
            {"x_um": xy[:, 0], "y_um": xy[:, 1], "pattern": NAMES[grades.cell_pattern]}
        ),
        "sites": pd.DataFrame(
            {
                "site": sites["site"],
                "pattern": NAMES[window.pattern],
                "pattern_index": window.index,
                "cells_in_window": window.cells,
                "in_disc": contains_xy(Polygon(tissue_outline(image, 0.65)), *centres.T),
            }
        ),
    }
    missed = [row for row in score(tables, folder / "truth") if not row[3]]
    assert missed == []
