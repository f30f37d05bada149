"""Two images side by side: one scale, one set of limits, numbers that say whether they compare."""

import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer.library import Library
from viewer.pair import build_pair, numbers_html, wanted
from viewer.pair_facts import (
    common_limits,
    images_of,
    on_common_ground,
    read_side,
    unlike_words,
    values_of,
)


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("pair")))])


@pytest.fixture(scope="module")
def sides(library):
    return [read_side(library, "tiny-1", site) for site in ("n001", "n002")]


def test_an_address_is_completed_and_what_is_unknown_is_left_out(library):
    assert images_of(library, "tiny-1") == ["n001", "n002"]
    first = {"d": "tiny-1", "a": "n001", "e": "tiny-1", "b": "n002", "look": "height", "t": "dark"}
    assert wanted(library, {}) == first
    odd = {"d": "else", "a": "b001", "b": "n001", "look": "<b>", "t": "light"}
    assert wanted(library, odd) == {**first, "b": "n001", "t": "light"}


def test_one_set_of_limits_holds_both_images(sides):
    pictures = [values_of(side, "height") for side in sides]
    low, high = common_limits(pictures, "height")
    every = np.concatenate([p[np.isfinite(p)] for p in pictures])
    assert (low, high) == pytest.approx(np.percentile(every, [0.5, 99.5]))


def test_the_slope_of_the_flat_image_is_less(sides):
    steep, flat = (np.nanmedian(values_of(side, "slope")) for side in sides)
    assert flat < steep


def test_images_of_unlike_pixels_do_not_compare_until_they_are_made_alike(library, sides):
    reasons = unlike_words(sides)
    assert any(reason.startswith("pixel") for reason in reasons)
    words, (first, second) = on_common_ground(library, sides)
    assert "resampled" in words
    assert first.keys() == second.keys()
    # the fine ripple of the flat image is below what the common ground still shows
    assert float(second["Sq"].split()[0]) < sides[1].network.number("texture.Sq_nm")


def test_an_image_compares_with_itself(library, sides):
    assert unlike_words([sides[0], sides[0]]) == ()
    assert "numbers compare" in numbers_html(library, [sides[0], sides[0]])


def test_both_pictures_share_their_ranges_and_limits(library):
    template = build_pair(library, {"a": "n001", "b": "n002"})
    (root,) = [r for name, r in template._render_items.items() if name == "pair"]
    figures = [pane.object for pane in root[0].objects[:2]]
    assert figures[0].x_range is figures[1].x_range
    assert figures[0].y_range is figures[1].y_range
    mappers = [fig.renderers[0].glyph.color_mapper for fig in figures]
    assert (mappers[0].low, mappers[0].high) == (mappers[1].low, mappers[1].high)
