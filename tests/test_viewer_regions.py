"""The comparison tray against its engine: the same numbers, in words, with what to mind."""

import io
import re

import numpy as np
import pandas as pd
import pytest
import tray_kit as kit

from engine.across import brunner_munzel, cliffs_delta, hodges_lehmann, median_with_interval
from engine.errors import SplendensError
from viewer.card_text import value_and_interval
from viewer.regions import Tray
from viewer.regions_data import CELLS, RegionCounter, site_quantities, tray_numbers
from viewer.regions_look import MARKERS, region_colours
from viewer.regions_saved import comparison_csv, load_regions, save_regions, saved_names
from viewer.regions_strip import HEAD_PX, ROW_PX, spread
from viewer.regions_words import differences_html, median_html
from viewer.state import REGION_LETTERS, make_region


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("&lt;", "<")


def numbers(library, shapes, choice="sites.modulus_kPa", kind="", names=None):
    regions = {k: make_region("d1", p) for k, p in zip(REGION_LETTERS, shapes, strict=False)}
    return tray_numbers(library, RegionCounter(library), regions, names or {}, choice, kind)


@pytest.fixture
def library(tmp_path):
    return kit.library(tmp_path)


@pytest.fixture
def tray(library):
    return Tray(kit.state(), library)


def halves(table):
    """Moduli of the maps on either side, found without any polygon."""
    maps = table[table["kind"] == "bead-map"]
    right = maps["x_um"] > 500
    return maps["modulus_kPa"][~right].to_numpy(), maps["modulus_kPa"][right].to_numpy()


def test_counts_at_each_level(library):
    held = numbers(library, [kit.LEFT, kit.RIGHT]).holdings
    assert [int(h.sites.sum()) for h in held] == [12, 12]
    assert [dict(h.kinds) for h in held] == [{"bead-map": 8, "nano-image": 4}] * 2
    assert [(h.curves_used, h.curves_total) for h in held] == [(480, 512)] * 2
    assert [h.cells.cells for h in held] == [100, 50]
    assert held[0].cells.area_mm2 == pytest.approx(0.5)
    assert held[1].cells.fractions == pytest.approx([0.5, 0, 0, 0, 0.5])
    assert held[0].donors == ("e1",)


def test_numbers_are_those_of_the_engine_on_sites(library):
    left, right = halves(library.sites("d1"))
    found = numbers(library, [kit.LEFT, kit.RIGHT]).comparison
    assert found.regions[0].median == median_with_interval(left)
    assert found.pairs[0].shift == hodges_lehmann(left, right)
    assert repr(found.pairs[0].test) == repr(brunner_munzel(left, right))  # repr: NaN is NaN
    assert found.pairs[0].delta == cliffs_delta(left, right)


def test_site_names_belong_to_their_values(library):
    found = numbers(library, [kit.LEFT, kit.RIGHT])
    table = library.sites("d1").set_index("site")["modulus_kPa"]
    for region, names in zip(found.comparison.regions, found.site_names, strict=True):
        assert table[list(names)].to_numpy() == pytest.approx(region.values)


def test_only_one_kind_is_kept_and_mixing_is_said(library):
    mixed = numbers(library, [kit.LEFT, kit.RIGHT], "sites.pattern_index")
    assert mixed.comparison.regions[0].sites == 12
    assert "Sites of different kinds (maps and images)" in plain(
        differences_html(mixed, region_colours(True))
    )
    maps = numbers(library, [kit.LEFT, kit.RIGHT], "sites.pattern_index", "bead-map")
    assert maps.comparison.regions[0].sites == 8
    assert "different kinds" not in differences_html(maps, region_colours(True))


def test_directions_are_not_offered(library):
    offered = [name for names in site_quantities(library).values() for name in names.values()]
    assert "fibril_thickness_median_nm" in offered
    assert "modulus_kPa" in offered
    assert not [name for name in offered if name.endswith("_deg")]


def test_words_hold_shift_interval_p_delta_and_what_was_tested(library):
    found = numbers(library, [kit.LEFT, kit.RIGHT])
    pair = found.comparison.pairs[0]
    words = plain(differences_html(found, region_colours(False)))
    shift, span = value_and_interval(pair.shift.shift, pair.shift.low, pair.shift.high)
    assert f"{shift} kPa ({span})" in words
    assert "Brunner–Munzel" in words
    assert "Cliff's delta −1.00" in words
    assert "8 against 8 sites" in words
    assert "fully separated" in words
    assert "Curves of one map are not independent" in words
    assert "Sites of one disc are neighbours" in words
    assert "one donor (e1)" in words


def test_several_pairs_say_so_and_give_the_adjusted_p(library):
    found = numbers(library, [kit.LEFT, kit.RIGHT, kit.LEFT])
    words = plain(differences_html(found, region_colours(True)))
    assert words.count("Holm of 3") == 3
    assert "lie in both regions: 8 sites" in words


def test_too_few_sites_is_said_and_no_interval_made_up(library):
    found = numbers(library, [kit.CORNER, kit.RIGHT])
    assert found.comparison.regions[0].sites == 1
    words = plain(differences_html(found, region_colours(True)))
    assert "A holds 1 and B 8: too few" in words
    assert "Not tested" in words
    assert "too few sites for an interval" in words
    assert "no interval" in plain(median_html(found.comparison.regions[0].median, "kPa"))


def test_a_region_without_sites_has_no_number(library):
    found = numbers(library, [kit.EMPTY, kit.RIGHT])
    assert "holds no site" in plain(differences_html(found, region_colours(True)))
    assert "no site with it" in median_html(found.comparison.regions[0].median, "kPa")
    held = found.holdings[0]
    assert held.cells.cells == 0
    assert np.isnan(held.cells.fractions).all()


def test_cells_are_described_and_not_tested(library):
    found = numbers(library, [kit.LEFT, kit.RIGHT], CELLS)
    assert found.comparison is None
    words = plain(differences_html(found, region_colours(True)))
    assert re.search(r"string 100 50 ", words)
    assert re.search(r"diffuse 0 50 ", words)
    assert "not tested" in words


def test_regions_of_two_discs_are_compared(tmp_path):
    library = kit.library(tmp_path, ("d1", "e1"), ("d2", "e2"))
    regions = {"A": make_region("d1", kit.LEFT), "B": make_region("d2", kit.LEFT)}
    found = tray_numbers(library, RegionCounter(library), regions, {}, "sites.modulus_kPa")
    assert [r.discs for r in found.comparison.regions] == [("d1",), ("d2",)]
    assert [r.sites for r in found.comparison.regions] == [8, 8]
    assert "share no donor" in plain(differences_html(found, region_colours(True)))


def test_a_region_on_a_disc_that_is_not_open_is_left_out(library):
    regions = {"A": make_region("elsewhere", kit.LEFT), "B": make_region("d1", kit.RIGHT)}
    found = tray_numbers(library, RegionCounter(library), regions, {}, "sites.modulus_kPa")
    assert [held.letter for held in found.holdings] == ["B"]


def test_unchanged_regions_are_not_counted_again(library, monkeypatch):
    counter, counted = RegionCounter(library), []
    real = RegionCounter._count
    monkeypatch.setattr(RegionCounter, "_count", lambda s, r: counted.append(r) or real(s, r))
    left, right = make_region("d1", kit.LEFT), make_region("d1", kit.RIGHT)
    counter.holdings({"A": left}, {})
    counter.holdings({"A": left, "B": right}, {})
    assert counted == [left, right]


def test_a_new_run_is_counted_anew(library):
    counter, regions = RegionCounter(library), {"A": make_region("d1", kit.LEFT)}
    store = library.store("d1")
    assert counter.holdings(regions, {})[0].cells.cells == 100
    store.tables["cells"], store.current_run = kit.cells().iloc[:40], "run-0002"
    assert counter.holdings(regions, {})[0].cells.cells == 40


# ---- the tray as a whole -------------------------------------------------------------------------


def test_the_tray_follows_the_regions(tray):
    assert tray.numbers.holdings == ()
    tray.state.add_region(kit.LEFT)
    tray.state.add_region(kit.RIGHT)
    assert [held.letter for held in tray.numbers.holdings] == ["A", "B"]
    rows = tray.rows.rows
    assert [rows[k].view.visible for k in REGION_LETTERS] == [True, True, False, False]
    assert "Cliff's delta" in tray._differences.text
    tray.state.remove_region("A")
    assert [rows[k].view.visible for k in REGION_LETTERS] == [False, True, False, False]
    assert "second region" in tray._differences.text


def test_the_strip_shows_every_site_by_shape_and_colour(tray):
    tray.state.add_region(kit.LEFT)
    tray.state.add_region(kit.RIGHT)
    data = tray.strip._dots.data
    left, right = halves(tray.library.sites("d1"))
    assert sorted(data["x"]) == pytest.approx(sorted([*left, *right]))
    assert set(data["marker"]) == {MARKERS["A"], MARKERS["B"]}
    assert len(set(data["colour"])) == 2
    assert tray.strip._medians.data["median"] == pytest.approx([np.median(left), np.median(right)])
    assert tray.strip.figure.height == HEAD_PX + 2 * ROW_PX + 4
    start, end = tray.strip.figure.x_range.start, tray.strip.figure.x_range.end
    assert start < min(data["x"])
    assert end > max(data["x"])


def test_shapes_and_colours_differ_on_both_pages():
    assert len(set(MARKERS.values())) == len(REGION_LETTERS)
    for dark in (True, False):
        assert len(set(region_colours(dark).values())) == len(REGION_LETTERS)


def test_marks_of_equal_values_do_not_lie_on_one_another():
    offsets = spread(np.zeros(7), 10.0)
    assert len(set(offsets)) == 7
    assert np.abs(offsets).max() == pytest.approx(0.3)


def test_the_tray_follows_the_colours_and_its_own_field(tray):
    tray.state.add_region(kit.LEFT)
    tray.state.colour_by = "cells.pattern"
    assert tray.choice == CELLS
    assert tray.numbers.comparison is None
    tray._what.value = "sites.fibril_thickness_median_nm"
    assert tray.numbers.comparison.unit == "nm"
    assert tray.numbers.comparison.regions[0].sites == 4
    assert tray.state.colour_by == "cells.pattern"
    tray.state.colour_by = "curves.modulus_kPa"
    assert tray.choice == "sites.modulus_kPa"


def test_the_kind_with_most_sites_is_taken_first(tray):
    tray._what.value = "sites.pattern_index"
    assert tray.kind == "bead-map"
    assert tray._kind.visible
    tray._kind.value = ""
    assert tray.numbers.kind == ""
    tray._what.value = "sites.modulus_kPa"
    assert not tray._kind.visible


def test_a_click_on_the_strip_selects_the_site(tray):
    tray.state.add_region(kit.LEFT)
    tray.strip._dots.selected.indices = [3]
    assert tray.state.site == tray.numbers.site_names[0][3]
    assert tray.strip._dots.selected.indices == []


def test_remove_rename_and_clear(tray):
    tray.state.add_region(kit.LEFT)
    tray.state.add_region(kit.RIGHT)
    tray.rows.rows["B"].name.value = "rim <b>"
    assert tray.numbers.holdings[1].title == "B rim <b>"
    assert "rim <b>" not in tray._differences.text
    tray.rows.rows["A"].remove.clicks += 1
    assert list(tray.state.regions) == ["B"]
    tray._clear.clicks += 1
    assert tray.state.regions == {}
    assert tray.names == {}
    assert tray._csv.disabled


def test_a_new_region_does_not_inherit_the_name_of_one_that_is_gone(tray):
    tray.state.add_region(kit.LEFT)
    tray.rows.rows["A"].name.value = "rim"
    tray.state.remove_region("A")
    tray.state.add_region(kit.RIGHT)
    assert tray.rows.rows["A"].name.value == ""


def test_a_folded_tray_waits(library, monkeypatch):
    tray = Tray(kit.state(tray_open=False), library)
    monkeypatch.setattr("viewer.regions.tray_numbers", lambda *a: pytest.fail("computed"))
    tray.state.regions = {"A": make_region("d1", kit.LEFT)}
    assert not tray._body.visible
    assert "A" in tray._fold.label
    monkeypatch.undo()
    tray._fold.clicks += 1
    assert tray.state.tray_open
    assert tray._body.visible
    assert [held.letter for held in tray.numbers.holdings] == ["A"]


def test_a_disc_without_a_run_is_shown_empty(tmp_path):
    library = kit.library(tmp_path)
    library.store("d1").current_run = None
    tray = Tray(kit.state(), library)
    tray.state.add_region(kit.LEFT)
    assert tray.numbers.holdings[0].cells.cells == 0
    assert "no site with it" in tray.rows.rows["A"]._median.text


# ---- kept and written ----------------------------------------------------------------------------


def test_saved_regions_come_back(tray, tmp_path):
    tray.state.add_region(kit.LEFT)
    tray.state.add_region(np.array(kit.RIGHT) + 0.123456789)
    tray.rows.rows["A"].name.value = "centre"
    before = dict(tray.state.regions)
    tray.keep.switch.value = True
    tray.keep.title.value_input = "first-look"
    tray.keep.save.clicks += 1
    assert (tmp_path / "d1/saved/regions/first-look.json").is_file()
    assert tray.keep.saved.options == ["first-look"]
    tray._clear.clicks += 1
    tray.keep.load.clicks += 1
    assert tray.state.regions == before
    assert tray.rows.rows["A"].name.value == "centre"
    tray.keep.forget.clicks += 1
    assert saved_names(tray.library, "d1") == []


@pytest.mark.parametrize("name", ["", "../up", "a/b", ".hidden", "x" * 65])
def test_names_that_are_no_file_names_are_refused_in_words(tray, name, tmp_path):
    tray.state.add_region(kit.LEFT)
    tray.keep.switch.value = True
    tray.keep.title.value_input = name
    tray.keep.save.clicks += 1
    assert "not done" in tray.keep._said.text
    assert not list(tmp_path.rglob("*.json"))


def test_nothing_to_save_and_nothing_to_load(library):
    with pytest.raises(SplendensError, match="no region"):
        save_regions(library, "d1", "x", {}, {})
    with pytest.raises(SplendensError, match="kept as 'x'"):
        load_regions(library, "d1", "x")


@pytest.mark.parametrize(
    "body",
    ["{}", '{"regions": []}', '{"regions": {"A": {"disc": "d1", "polygon_um": [[0, 0]]}}}'],
)
def test_a_spoilt_document_is_refused_in_words(library, tmp_path, body):
    path = tmp_path / "d1/saved/regions/bad.json"
    path.parent.mkdir(parents=True)
    path.write_text(body)
    with pytest.raises(SplendensError, match="bad"):
        load_regions(library, "d1", "bad")


def test_the_csv_holds_every_number(library):
    found = numbers(library, [kit.LEFT, kit.RIGHT], names={"A": "=1+1"})
    text = comparison_csv(found, {"d1": "run-0001"})
    assert text.startswith("# disc d1, run-0001\n")
    assert "# Curves of one map are not independent" in text
    table = pd.read_csv(io.StringIO(text), comment="#")
    assert table["row"].tolist() == ["region", "region", "difference"]
    pair = found.comparison.pairs[0]
    last = table.iloc[2]
    assert (last["region"], last["against"]) == ("A", "B")
    assert last["shift"] == pair.shift.shift
    assert last["brunner_munzel_p"] == pair.test.p
    assert last["cliffs_delta_ci_high"] == pair.delta.high
    assert table["median"][0] == found.comparison.regions[0].median.median
    assert table["sites_with_quantity"][0] == 8
    assert table["name"][0] == "'=1+1"
    corners = [tuple(map(float, c.split(","))) for c in table["polygon_um"][0].split()]
    assert corners == kit.LEFT


def test_what_could_not_be_had_is_empty_in_the_csv(library):
    found = numbers(library, [kit.EMPTY, kit.RIGHT])
    table = pd.read_csv(io.StringIO(comparison_csv(found, {"d1": None})), comment="#")
    assert pd.isna(table["median"][0])
    assert pd.isna(table["shift"][2])
    cells = numbers(library, [kit.LEFT], CELLS)
    table = pd.read_csv(io.StringIO(comparison_csv(cells, {"d1": None})), comment="#")
    assert table["cells_string"][0] == 100
    assert len(table) == 1
