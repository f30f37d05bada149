"""Any two site quantities against each other: which points, which line, in which words."""

import numpy as np
import pytest
import tray_kit as kit

from engine.across import slope_with_band
from viewer.regions_look import MARKERS
from viewer.scatter import Scatter
from viewer.scatter_data import Pairing, membership, pair_sites, pairings
from viewer.scatter_words import pairing_words, scatter_cautions, slope_unit, slope_words
from viewer.state import make_region

THICKNESS, MODULUS = "fibril_thickness_median_nm", "modulus_kPa"


@pytest.fixture
def library(tmp_path):
    return kit.library(tmp_path)


@pytest.fixture
def table(library):
    return library.sites("d1")


def points(library, **changes):
    return Scatter(kit.state(**changes), library)


def test_sites_that_hold_both_are_paired_with_themselves(table):
    ways = pairings(table, "pattern_index", MODULUS)
    first = next(iter(ways.values()))
    assert first == Pairing("bead-map", "bead-map")
    found = pair_sites(table, "pattern_index", MODULUS, first)
    assert found.site == found.partner == tuple(f"b{i:03d}" for i in range(16))
    assert not found.joined
    assert found.distance_um.tolist() == [0.0] * 16


def test_quantities_of_unlike_sites_are_joined_by_place(table):
    ways = pairings(table, THICKNESS, MODULUS)
    first = next(iter(ways.values()))
    assert first == Pairing("nano-image", "bead-map")
    found = pair_sites(table, THICKNESS, MODULUS, first, 100.0)
    assert found.joined
    assert found.base == "x"
    assert found.site == tuple(f"n{i:03d}" for i in range(8))
    assert found.partner == tuple(f"b{i:03d}" for i in range(0, 16, 2))
    assert found.distance_um == pytest.approx([30.0] * 8)
    assert found.y == pytest.approx(2 * found.x)
    turned = pair_sites(table, MODULUS, THICKNESS, Pairing("bead-map", "nano-image"), 100.0)
    assert turned.base == "y"
    assert (turned.x.tolist(), turned.y.tolist()) == (found.y.tolist(), found.x.tolist())


def test_a_few_sites_with_both_do_not_stand_for_the_rest(table):
    table = table.copy()
    images = np.flatnonzero(table["kind"] == "nano-image")[:3]
    table.loc[images, MODULUS] = 3000.0
    ways = pairings(table, THICKNESS, MODULUS)
    assert next(iter(ways.values())) == Pairing("nano-image", "bead-map")
    assert Pairing("nano-image", "nano-image") in ways.values()


def test_too_far_is_not_joined_and_is_counted(table):
    found = pair_sites(table, THICKNESS, MODULUS, Pairing("nano-image", "bead-map"), 29.0)
    assert found.x.size == 0
    assert found.unpaired == 8
    assert "none was found for 8 of the sites" in pairing_words(found, THICKNESS, MODULUS)
    with pytest.raises(ValueError, match="max_distance_um"):
        pair_sites(table, THICKNESS, MODULUS, Pairing("nano-image", "bead-map"), 0.0)


def test_sites_are_never_joined_across_discs(tmp_path):
    library = kit.library(tmp_path, ("d1", "e1"), ("d2", "e2"))
    table = library.sites()
    only = table[~((table["disc"] == "d2") & (table["kind"] == "bead-map"))].reset_index(drop=True)
    found = pair_sites(only, THICKNESS, MODULUS, Pairing("nano-image", "bead-map"), 100.0)
    assert set(found.disc) == {"d1"}
    assert found.unpaired == 8


def test_a_partner_of_several_is_said(table):
    table = table.copy()
    table.loc[table["site"] == "n001", ["x_um", "y_um"]] = [70.0, 60.0]
    found = pair_sites(table, THICKNESS, MODULUS, Pairing("nano-image", "bead-map"), 100.0)
    assert found.shared_partners == 1
    fit = slope_with_band(found.x, found.y)
    assert any("1 partner(s)" in text for text in scatter_cautions(found, fit, table))


def test_cautions_name_donors_neighbours_and_few_points(tmp_path, table):
    found = pair_sites(table, THICKNESS, MODULUS, Pairing("nano-image", "bead-map"))
    said = " ".join(scatter_cautions(found, slope_with_band(found.x, found.y), table))
    assert "one donor (e1)" in said
    assert "Neighbouring sites resemble each other" in said
    assert "so few points" in said
    two = kit.library(tmp_path / "two", ("d1", "e1"), ("d2", "e2")).sites()
    found = pair_sites(two, "pattern_index", MODULUS, Pairing("bead-map", "bead-map"))
    said = " ".join(scatter_cautions(found, slope_with_band(found.x, found.y), two))
    assert "2 donors" in said


def test_words_give_slope_interval_unit_r_p_and_n(table):
    found = pair_sites(table, "pattern_index", MODULUS, Pairing("bead-map", "bead-map"))
    fit = slope_with_band(found.x, found.y)
    slope, rest = slope_words(fit, "pattern_index", MODULUS)
    assert slope.endswith("kPa per unit")
    assert rest.startswith("r = −1.00")
    assert rest.endswith("n = 16")
    assert slope_unit(THICKNESS, MODULUS) == "kPa per nm"
    assert slope_words(slope_with_band([1.0], [1.0]), THICKNESS, MODULUS) == ("no line", "n = 1")


def test_membership_takes_the_first_region(table):
    regions = {"A": make_region("d1", kit.LEFT), "B": make_region("d1", kit.LEFT)}
    letters = membership(table, regions)
    assert set(letters) == {"A", "outside"}
    assert letters.count("A") == 12
    assert set(membership(table, {"A": make_region("d2", kit.LEFT)})) == {"outside"}


# ---- the plot ------------------------------------------------------------------------------------


def test_the_band_is_that_of_the_engine(library, table):
    plot = points(library, scatter_x="pattern_index", scatter_y=MODULUS)
    maps = table[table["kind"] == "bead-map"]
    fit = slope_with_band(maps["pattern_index"], maps[MODULUS])
    fitted, low, high = fit.band(plot._band.data["x"])
    assert plot._band.data["fitted"] == pytest.approx(fitted)
    assert plot._band.data["low"] == pytest.approx(low)
    assert plot._band.data["high"] == pytest.approx(high)
    assert plot._band.data["x"][0] == maps["pattern_index"].min()


def test_points_take_the_mark_of_their_region(library):
    plot = points(library)
    assert set(plot._points.data["marker"]) == {"circle"}
    plot.state.add_region(kit.LEFT)
    plot.state.add_region(kit.RIGHT)
    assert sorted(plot._points.data["marker"]) == [MARKERS["A"]] * 8 + [MARKERS["B"]] * 8
    dark = list(plot._points.data["colour"])
    plot.state.dark = not plot.state.dark
    assert not set(dark) & set(plot._points.data["colour"])


def test_a_click_selects_the_site_and_rings_it(library):
    plot = points(library)
    plot._points.selected.indices = [5]
    assert plot.state.site == "b005"
    assert plot._points.selected.indices == []
    assert plot._chosen.data["x"] == pytest.approx(plot._points.data["x"][[5]])
    plot.state.select("")
    assert len(plot._chosen.data["x"]) == 0


def test_a_click_on_another_disc_goes_there(tmp_path):
    library = kit.library(tmp_path, ("d1", "e1"), ("d2", "e2"))
    plot = Scatter(kit.state(discs=["d1", "d2"]), library)
    plot._points.selected.indices = [20]
    assert (plot.state.disc, plot.state.site) == ("d2", "b004")


def test_the_state_and_the_fields_follow_each_other(library):
    plot = points(library)
    plot._x_select.value = THICKNESS
    assert plot.state.scatter_x == THICKNESS
    assert plot._distance.visible
    assert len(plot._points.data["x"]) == 8
    assert "joined within 100 µm" in plot._numbers.text
    assert "used: median 30.0, most 30.0 µm" in plot._words.text
    assert "with b000 30.0 µm away" in plot._points.data["words"][0]
    plot.join_distance_um = 20.0
    assert len(plot._points.data["x"]) == 0
    assert "no line" in plot._numbers.text
    plot.state.scatter_x = "pattern_index"
    assert plot._x_select.value == "pattern_index"
    assert not plot._distance.visible


def test_axes_carry_names_and_units(library):
    plot = points(library, scatter_x=THICKNESS)
    assert plot.figure.xaxis[0].axis_label == "fibril thickness, median [nm]"
    assert "[kPa] apparent indentation modulus" in plot._over.text
    assert plot.figure.x_range.start < plot._points.data["x"].min()
    assert plot.figure.y_range.end > plot._points.data["y"].max()


@pytest.mark.parametrize("name", ["no_such_thing", "site", "rotation_deg", "Sq_nm"])
def test_a_link_may_name_a_quantity_that_has_no_value(library, name):
    plot = points(library, scatter_x=name)
    assert plot._x_select.value == name
    assert len(plot._points.data["x"]) == 0
    assert "no line" in plot._numbers.text


def test_the_plot_of_a_disc_without_a_run_is_empty(library):
    library.store("d1").current_run = None
    plot = points(library)
    assert len(plot._points.data["x"]) == 0
    assert len(plot._band.data["x"]) == 0
