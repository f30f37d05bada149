"""The network face: what the image analysis found, and three looks at one image."""

from dataclasses import replace

import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer.card_facts import site_facts
from viewer.card_network import why_html
from viewer.card_network_facts import grey_picture, network_facts
from viewer.card_text import plus_minus
from viewer.library import Library
from viewer.site_card import SiteCard
from viewer.state import ViewState


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("network")))])


def card_of(library, **what):
    state = ViewState(discs=["tiny-1"], disc="tiny-1", **what)
    return state, SiteCard(state, library)


def words(part):
    """All text a part shows, hidden pieces left out."""
    if not getattr(part, "visible", True):
        return ""
    if hasattr(part, "objects"):
        return " ".join(words(p) for p in part.objects)
    content = getattr(part, "object", "")
    return content if isinstance(content, str) else ""


def face(card, name):
    return card._faces[name]


def test_the_network_face_tells_thickness_bands_and_texture(library):
    _, card = card_of(library, site="n001", card_tab="network")
    text = words(card.view())
    row = library.sites("tiny-1").set_index("site").loc["n001"]
    assert row["band_period_nm"] == pytest.approx(card_kit.PERIOD_NM, abs=2)
    period = plus_minus(row["band_period_nm"], row["band_period_se_nm"], "nm (± 1 SE)")
    for part in (period, "median thickness", "Sq, plane only", "ISO 25178-2", "apparent junctions"):
        assert part in text


def test_relief_height_and_slope_are_three_looks_at_one_image(library):
    _, card = card_of(library, site="n001", card_tab="network")
    relief = face(card, "network")._relief
    heights = relief._facts.turn.array(relief._facts.record["levelled_nm"])
    pictures = {}
    for look in ("relief", "height", "slope"):
        face(card, "network")._show_look(look)
        pictures[look] = relief._image.data["image"][0]
    assert "slope (°)" in face(card, "network")._greys.object
    # higher is brighter, and the scale's ends are those of the heights
    known = np.isfinite(heights)
    order = np.corrcoef(heights[known], pictures["height"][known])[0, 1]
    assert order > 0.99
    assert not np.array_equal(pictures["slope"], pictures["relief"])
    face(card, "network")._show_look("height")
    assert relief.drawn.high == pytest.approx(np.nanpercentile(heights, 99.5))


def test_the_slope_of_a_tilted_plane_is_its_angle(library):
    facts = network_facts(library, site_facts(library, "tiny-1", "n001"))
    rows, cols = facts.record["levelled_nm"].shape
    pixel = facts.turn.size(facts.width_nm, facts.height_nm)[0] / cols
    plane = np.tile(np.arange(cols) * pixel * np.tan(np.radians(20.0)), (rows, 1))
    tilted = replace(facts, record={**facts.record, "levelled_nm": plane})
    drawn = grey_picture(tilted, "slope")
    assert (drawn.low, drawn.high) == pytest.approx((20.0, 20.0))


def test_a_run_without_the_newer_numbers_shows_the_older_ones(library):
    facts = network_facts(library, site_facts(library, "tiny-1", "n001"))
    assert "Spk" in why_html(facts)
    assert "fork" in why_html(facts)
    newer = ("dividing.", "faults.", "tip_bound.", "filters", "texture.Sk", "texture.Sp")
    old = {k: v for k, v in facts.record.items() if not k.startswith(newer)}
    text = why_html(replace(facts, record=old))
    assert "Sq, plane only" in text
    for word in ("Spk", "fork", "Tip, faults"):
        assert word not in text


def test_an_image_without_fibrils_is_refused_in_words(library):
    _, card = card_of(library, site="n002", card_tab="network")
    text = words(card.view())
    assert "No fibril of this image could be measured" in text
    assert "No period is given" in text
    assert not face(card, "network")._thickness.fig.visible


def test_a_click_on_a_fibril_shows_the_heights_along_it(library):
    _, card = card_of(library, site="n001", card_tab="network")
    network = face(card, "network")
    longest = int(np.argmax(network._facts.length_nm))
    network._relief._paths.selected.indices = [longest]
    assert "The fibril you chose" in words(card.view())
    arc = network._profile._line.data["x"]
    assert arc[-1] == pytest.approx(network._facts.length_nm[longest], rel=0.1)
    network._relief._paths.selected.indices = []
    assert "The fibril you chose" not in words(card.view())
