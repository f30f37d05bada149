"""The network face's further figures: curves of the texture, levelling tried, local directions."""

from dataclasses import replace

import card_kit
import numpy as np
import pytest

from engine.store import open_store
from viewer.card_facts import site_facts
from viewer.card_figures import look_of
from viewer.card_levelling import LevellingTrial, levelling_html
from viewer.card_network_facts import network_facts
from viewer.card_relief import direction_strokes
from viewer.card_surface import KINDS, SurfaceFigure, _powers, _round_ticks
from viewer.card_text import plain_number
from viewer.library import Library


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("surface")))])


@pytest.fixture(scope="module")
def site(library):
    return site_facts(library, "tiny-1", "n001")


@pytest.fixture(scope="module")
def facts(library, site):
    return network_facts(library, site)


@pytest.mark.parametrize("kind", KINDS)
def test_each_curve_is_drawn_and_told(facts, kind):
    figure = SurfaceFigure(look_of(True))
    figure.show(facts)
    figure.choose(kind)
    x, y = (np.asarray(figure._line.data[k]) for k in "xy")
    assert len(x) > 3
    given = np.asarray(facts.record[KINDS[kind].x])
    assert x.max() == pytest.approx(
        np.log10(given.max()) if KINDS[kind].logarithmic[0] else given.max()
    )
    assert np.isfinite(y).all()
    assert figure.fig.xaxis[0].axis_label == KINDS[kind].x_label
    assert figure._words.object


def test_a_run_of_an_earlier_version_has_no_curves(facts):
    figure = SurfaceFigure(look_of(True))
    old = {k: v for k, v in facts.record.items() if not k.startswith("surface.")}
    figure.show(replace(facts, record=old))
    assert not figure.fig.visible
    assert "no such curve" in figure._words.object


def test_ticks_stand_at_round_numbers():
    assert [round(10**at) for at in _powers(1.95, 3.05)] == [100, 200, 500, 1000]
    assert all(float(at).is_integer() for at in _powers(2.0, 9.0))
    values = list(_round_ticks(-0.2, 1.7))
    assert values == pytest.approx([0.0, 0.5, 1.0, 1.5])


def test_a_step_shows_what_it_takes_out(library, site, facts):
    shown = []
    trial = LevellingTrial(look_of(True), library, shown.append)
    trial.show(facts, site)
    trial.choose("quadratic")
    (picture,) = shown
    assert picture.label == "height, levelled by second order"
    sq = dict(
        zip(facts.record["levelling_options"], facts.record["levelling_option_Sq_nm"], strict=True)
    )
    told = plain_number(100 * (sq["quadratic"] / sq["plane"] - 1), 2)
    assert f"<td>{told} %</td>" in trial._text.object
    trial.choose("")
    assert shown[-1] is None


def test_levelling_says_nothing_of_a_run_that_did_not_try_it(facts):
    old = {k: v for k, v in facts.record.items() if not k.startswith("levelling_option")}
    assert levelling_html(replace(facts, record=old), "") == ""


def test_strokes_lie_along_the_fibrils(facts):
    strokes = direction_strokes(facts)
    dx = np.array(strokes["x1"]) - np.array(strokes["x0"])
    dy = np.array(strokes["y1"]) - np.array(strokes["y0"])
    assert len(dx) > 4
    # the scene's fibrils all run along v
    x, y = facts.turn.points(0.0, 1.0)
    assert np.median(np.abs(dx * x + dy * y) / np.hypot(dx, dy)) > 0.99
