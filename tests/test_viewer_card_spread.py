"""Of a large map the card fits and draws a spread of curves, and says so."""

import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer import card_spread
from viewer.card_cloud import cloud_html
from viewer.card_cloud_facts import curve_cloud
from viewer.card_facts import map_facts, site_facts
from viewer.card_spread import spread_of, steps_of, words_of_spread
from viewer.card_trial_facts import as_stored, try_on_map
from viewer.card_trial_words import trial_html
from viewer.library import Library

# every second row and column of four
INDEX = [0, 2, 8, 10]


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return card_kit.make_store(tmp_path_factory.mktemp("spread"))


@pytest.fixture
def b002(path, monkeypatch):
    monkeypatch.setattr(card_spread, "MOST_CURVES", 4)
    library = Library([open_store(path)])
    facts = site_facts(library, "tiny-1", "b002")
    return library, facts, map_facts(library, facts)


def test_small_maps_are_taken_whole(path):
    assert steps_of(64, 64) == (1, 1)
    assert words_of_spread(64, 64) == ""
    library = Library([open_store(path)])
    spread = spread_of(library, site_facts(library, "tiny-1", "b001"))
    assert spread.whole
    np.testing.assert_array_equal(spread.index, np.arange(16))
    np.testing.assert_array_equal(spread.near, np.arange(16))
    assert not spread.valid[card_kit.UNTAKEN]


@pytest.mark.parametrize("shape", [(256, 256), (128, 512), (1000, 1000), (1, 100_000), (65, 64)])
def test_no_more_than_the_most_and_evenly(shape):
    step, over = steps_of(*shape)
    taken = len(range(0, shape[0], step)) * len(range(0, shape[1], over))
    assert 0.25 * card_spread.MOST_CURVES <= taken <= card_spread.MOST_CURVES
    words = words_of_spread(*shape).replace("\N{NARROW NO-BREAK SPACE}", "")
    assert words == f"{taken} of {shape[0] * shape[1]} curves, evenly spread"


def test_each_curve_has_one_near_it_that_speaks_for_it(b002):
    library, facts, _ = b002
    spread = spread_of(library, facts)
    np.testing.assert_array_equal(spread.index, INDEX)
    near = spread.index[spread.near]
    row, col = np.divmod(np.arange(16), 4)
    assert np.all(np.abs(near // 4 - row) <= 1)
    assert np.all(np.abs(near % 4 - col) <= 1)
    _, every = library.store("tiny-1").curves("b002").approach()
    np.testing.assert_array_equal(spread.deflection_nm, every[INDEX])


def test_a_trial_fits_them_and_says_how_many(b002):
    library, facts, found = b002
    outcome = try_on_map(library, facts, found, as_stored(facts))
    assert outcome.after.curves_total == 4
    near = np.array(INDEX)[spread_of(library, facts).near]
    np.testing.assert_allclose(outcome.tried.modulus_kPa, found.modulus_kPa[near], rtol=2e-3)
    assert "4 of 16 curves, evenly spread" in trial_html(outcome, True)


def test_the_picture_of_all_curves_draws_them_and_says_how_many(b002):
    library, facts, found = b002
    cloud = curve_cloud(library, facts, found, False)
    assert cloud.curves_used == found.used[INDEX].sum()
    assert "4 of 16 curves, evenly spread" in cloud_html(found, False)
