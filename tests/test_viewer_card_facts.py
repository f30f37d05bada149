import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer.card_cells_facts import cells_facts
from viewer.card_curve_facts import curve_facts
from viewer.card_facts import map_facts, next_taken, site_facts
from viewer.card_map import left_out_words, reason_of
from viewer.card_network_facts import NO_DATUM, network_facts, profile_along
from viewer.library import Library


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("card")))])


def of(library, site):
    return site_facts(library, "tiny-1", site)


def test_a_site_tells_what_it_holds(library):
    assert of(library, "b001").faces == ("curves", "cells")
    assert of(library, "n001").faces == ("network", "cells")
    assert of(library, "nowhere") is None


def test_what_was_read_is_kept_and_cannot_be_changed(library):
    facts = map_facts(library, of(library, "b001"))
    assert map_facts(library, of(library, "b001")) is facts
    with pytest.raises(ValueError, match="read-only"):
        facts.modulus_kPa[0] = 1.0
    picture = network_facts(library, of(library, "n001"))
    with pytest.raises(ValueError, match="read-only"):
        picture.grey[0, 0] = 1


def test_a_curve_that_does_not_count_says_why(library):
    facts = map_facts(library, of(library, "b001"))
    assert not facts.taken[card_kit.UNTAKEN]
    assert reason_of(facts, card_kit.UNTAKEN) == "no curve taken"
    assert reason_of(facts, card_kit.UNTOUCHED) == "no contact"
    assert reason_of(facts, card_kit.STEPPED)
    assert not facts.used[[card_kit.UNTAKEN, card_kit.UNTOUCHED, card_kit.STEPPED]].any()
    assert facts.used.sum() == 13
    words = left_out_words(facts)
    assert "1 no contact" in words
    assert "1 no curve taken" in words


def test_the_typical_curve_counts_and_lies_nearest_to_the_median(library):
    facts = map_facts(library, of(library, "b001"))
    used = facts.modulus_kPa[facts.used]
    assert facts.used[facts.typical]
    away = np.abs(used - np.median(used))
    assert abs(facts.modulus_kPa[facts.typical] - np.median(used)) == away.min()


def test_stepping_leaves_out_places_without_a_curve_and_goes_round(library):
    facts = map_facts(library, of(library, "b001"))
    forwards, backwards = [0], [0]
    for _ in range(15):
        forwards.append(next_taken(facts, forwards[-1], 1))
        backwards.append(next_taken(facts, backwards[-1], -1))
    whole = [i for i in range(16) if i != card_kit.UNTAKEN]
    assert forwards == [*whole, 0]
    assert backwards == [0, *whole[::-1]]
    assert next_taken(facts, card_kit.UNTAKEN, 1) == card_kit.UNTAKEN + 1
    assert next_taken(facts, card_kit.UNTAKEN, -1) == card_kit.UNTAKEN - 1


def test_the_curve_on_the_card_is_the_curve_of_the_table(library):
    site = of(library, "b002")
    facts = map_facts(library, site)
    for index in (0, 7, 15):
        curve = curve_facts(library, site, index)
        fitted = float(curve.explained.fit.modulus_kPa[0])
        assert fitted == pytest.approx(facts.modulus_kPa[index], rel=1e-6)
        assert fitted == pytest.approx(card_kit.MODULUS_KPA, rel=0.05)
        assert len(curve.retract_z_nm) == 200


def test_a_curve_without_contact_is_still_shown(library):
    curve = curve_facts(library, of(library, "b001"), card_kit.UNTOUCHED)
    assert len(curve.explained.z_nm) == 200
    assert np.isfinite(curve.explained.deflection_nm).all()


def test_the_relief_is_bright_towards_the_light(library):
    """Light falls from the upper left: the upper left flanks of a ridge must be the brighter."""
    facts = network_facts(library, of(library, "n001"))
    levelled = facts.turn.array(facts.record["levelled_nm"]).astype(float)
    up, right = np.gradient(levelled)  # bottom row first: rows run upwards
    towards = -right * -0.6 + -up * 0.8  # slope that faces the light at (-0.6, 0.8)
    grey = facts.grey.astype(float)
    seen = facts.grey != NO_DATUM
    assert np.corrcoef(towards[seen], grey[seen])[0, 1] > 0.5


def test_traces_lie_on_the_ridges_of_the_picture(library):
    facts = network_facts(library, of(library, "n001"))
    levelled = facts.turn.array(facts.record["levelled_nm"])
    rows, cols = levelled.shape
    x, y = np.concatenate(facts.xs), np.concatenate(facts.ys)
    col = np.clip(np.rint((x / facts.width_nm + 0.5) * cols - 0.5).astype(int), 0, cols - 1)
    row = np.clip(np.rint((y / facts.height_nm + 0.5) * rows - 0.5).astype(int), 0, rows - 1)
    assert np.median(levelled[row, col]) > np.percentile(levelled, 75)


def test_the_profile_along_a_fibril_repeats_with_its_bands(library):
    facts = network_facts(library, of(library, "n001"))
    arc, height = profile_along(facts, int(np.argmax(facts.length_nm)))
    assert arc[-1] > 600
    spectrum = np.abs(np.fft.rfft((height - height.mean()) * np.hanning(len(height)), 8192))
    wave = 1 / np.maximum(np.fft.rfftfreq(8192, arc[1] - arc[0]), 1e-9)
    looked = (wave > 40) & (wave < 120)
    assert wave[looked][np.argmax(spectrum[looked])] == pytest.approx(card_kit.PERIOD_NM, abs=3)


@pytest.mark.parametrize("site", ["b001", "n002"])
def test_cells_in_the_window_are_those_of_the_table(library, site):
    facts = of(library, site)
    found = cells_facts(library, facts)
    cells = library.table("tiny-1", "cells")
    x, y = facts.stored.footprint.centre_um
    half = found.window_um / 2
    inside = (np.abs(cells["x_um"] - x) <= half) & (np.abs(cells["y_um"] - y) <= half)
    assert found.inside.sum() == inside.sum() == facts.number("cells_in_window")


def test_links_join_the_cells_that_the_run_linked(library):
    facts = of(library, "b001")
    found = cells_facts(library, facts)
    cells = library.table("tiny-1", "cells")
    x, y = facts.stored.footprint.centre_um
    edges = library.cells_detail("tiny-1")["edges"]
    near = {
        frozenset(
            map(tuple, np.round(np.column_stack([cells["x_um"][e] - x, y - cells["y_um"][e]]), 6))
        )
        for e in edges
    }
    assert len(found.links)
    for first, second in found.links:
        ends = ((found.x_um[i], found.y_um[i]) for i in (first, second))
        assert frozenset(tuple(np.round(end, 6)) for end in ends) in near
    assert (found.group[found.links[:, 0]] == found.group[found.links[:, 1]]).all()


def test_the_mosaic_behind_the_cells_is_bright_where_the_cells_are(library):
    found = cells_facts(library, of(library, "b001"))
    left, bottom, width, height = found.grey_box_um
    rows, cols = found.grey.shape
    col = ((found.x_um - left) / width * cols).astype(int)
    row = ((found.y_um - bottom) / height * rows).astype(int)
    seen = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    assert seen.sum() > 5
    assert np.median(found.grey[row[seen], col[seen]]) > np.percentile(found.grey, 90)


def test_a_click_finds_the_nearest_cell_or_none(library):
    found = cells_facts(library, of(library, "b001"))
    assert found.nearest(found.x_um[2] + 0.5, found.y_um[2], 8.0) == 2
    assert found.nearest(1e4, 1e4, 8.0) == -1
