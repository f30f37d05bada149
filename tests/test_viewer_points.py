"""Point statistics in the tray: worked out aside, shown as they come, written as CSV."""

import csv
import threading
from io import StringIO

import numpy as np
import pytest
import tray_kit as kit

from engine.cells import clark_evans, density, region_window
from engine.cells.arrangement import MOST_CELLS
from viewer.regions import Tray
from viewer.regions_curves import ClusterPlot
from viewer.regions_data import RegionCounter
from viewer.regions_look import region_colours
from viewer.regions_points import POINTS, PointCounter, PointNumbers, groups_of
from viewer.regions_points_words import points_cautions, points_csv, points_html
from viewer.state import make_region

COLOURS = region_colours(dark=True)


@pytest.fixture
def library(tmp_path):
    return kit.library(tmp_path)


def regions(*shapes):
    return {k: make_region("d1", p) for k, p in zip("ABCD", shapes, strict=False)}


def known(library, drawn):
    counter = PointCounter(library, lambda: None)
    counter.found(drawn)
    counter.wait(60)
    return counter.found(drawn)


def held(library, drawn):
    return RegionCounter(library).holdings(drawn, {})


def test_the_first_answer_comes_at_once_and_the_numbers_later(library):
    told, gate = [], threading.Event()
    counter = PointCounter(library, lambda: told.append(gate.wait(30)))
    drawn = regions(kit.LEFT)
    first = counter.found(drawn)["A"]
    assert first.waiting
    assert first.clustering is None
    gate.set()
    counter.wait(60)
    assert len(told) == 2
    assert not counter.found(drawn)["A"].waiting


def test_numbers_are_those_of_the_engine(library):
    found = known(library, regions(kit.LEFT))["A"]
    window = region_window(np.array(kit.LEFT))
    cells = library.table("d1", "cells")
    xy = cells[["x_um", "y_um"]].to_numpy(float)
    assert found.neighbours.density == density(xy, window)
    assert found.neighbours.clark_evans.z == clark_evans(xy, window).z
    assert found.clustering.cells == 100


def test_a_region_is_worked_out_once(library):
    counter = PointCounter(library, lambda: None)
    drawn = regions(kit.LEFT, kit.RIGHT)
    counter.found(drawn)
    counter.wait(60)
    one = counter.found(drawn)["A"]
    assert counter.found({"B": drawn["A"]})["B"] is one
    assert set(counter.found({})) == set()
    assert counter.found(drawn)["A"] is not one


def test_a_region_without_cells_says_so(library):
    drawn = regions(kit.EMPTY)
    found = known(library, drawn)
    html = points_html(held(library, drawn), found, COLOURS)
    assert "too few cells" in html
    assert "no strings" in html
    assert any("fewer than 10 cells" in s for s in points_cautions(held(library, drawn), found))


def test_cells_of_no_group_stand_by_themselves(library):
    group, angle = groups_of(library, "d1")
    assert len(np.unique(group)) == len(group)
    assert np.isnan(angle).all()


def test_a_part_that_stands_for_all_is_announced(library):
    drawn = regions(kit.LEFT)
    found = known(library, drawn)["A"]
    part = type(found.clustering)(
        found.clustering.envelope, found.clustering.k, found.clustering.pairs, 9000, MOST_CELLS
    )
    said = points_cautions(held(library, drawn), {"A": PointNumbers(found.neighbours, part, False)})
    assert any("1\N{NARROW NO-BREAK SPACE}000 of 9" in sentence for sentence in said)


def test_while_it_is_worked_out_it_says_so(library):
    html = points_html(held(library, regions(kit.LEFT)), {"A": PointNumbers()}, COLOURS)
    assert html.count("computing") == 7


def test_csv_is_tidy_and_complete(library):
    drawn = regions(kit.LEFT, kit.RIGHT)
    found = known(library, drawn)
    text = points_csv(held(library, drawn), found, {"d1": "run-0001"})
    assert text.startswith("# disc d1, run-0001\n")
    assert "not a diagnostic device" in text
    rows = list(csv.DictReader(StringIO("".join(
        line + "\n" for line in text.splitlines() if not line.startswith("#")
    ))))  # fmt: skip
    one = [r for r in rows if r["region"] == "A" and r["statistic"] == "clark_evans_donnelly"]
    assert float(one[0]["value"]) == found["A"].neighbours.clark_evans.ratio_corrected
    curve = [r for r in rows if r["region"] == "B" and r["statistic"] == "L_minus_r"]
    envelope = found["B"].clustering.envelope
    np.testing.assert_allclose([float(r["low"]) for r in curve], envelope.low)
    np.testing.assert_allclose([float(r["r_um"]) for r in curve], envelope.radii)
    names = {r["statistic"] for r in rows}
    assert {"K", "pair_correlation", "nearest_within", "density", "no_order_p"} <= names


def test_the_plot_shows_a_line_and_a_band_a_region(library):
    plot, found = ClusterPlot(), known(library, regions(kit.LEFT, kit.RIGHT))
    plot.update(found | {"C": PointNumbers()}, COLOURS, dark=True)
    assert plot._lines.data["region"] == ["A", "B"]
    np.testing.assert_allclose(plot._lines.data["y"][0], found["A"].clustering.envelope.observed)
    assert plot._bands.data["colour"] == [COLOURS["A"], COLOURS["B"]]


def test_the_tray_shows_them_when_they_are_chosen(library):
    tray = Tray(kit.state(regions=regions(kit.LEFT, kit.RIGHT)), library)
    assert not tray._clustering.visible
    tray.choice = POINTS
    assert tray._clustering.visible
    assert not tray._strip.visible
    tray.points.wait(60)
    tray.refresh()
    assert "Clark–Evans R" in tray._differences.text
    assert "computing" not in tray._differences.text
    assert tray._csv_file().getvalue().count("L_minus_r") > 20
    tray.choice = "sites.modulus_kPa"
    assert tray._strip.visible
    assert not tray._clustering.visible
