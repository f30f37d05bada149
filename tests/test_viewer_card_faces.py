"""The card follows the view state; what it shows is what the run's tables say."""

from dataclasses import replace

import card_kit
import numpy as np
import pytest

from engine.frames import identity_frame
from engine.mechanics import FLAGS
from engine.store import open_store
from viewer.card_head import verdict
from viewer.card_text import NOT_INDEPENDENT, plus_minus, value_and_interval
from viewer.library import Library
from viewer.site_card import SiteCard
from viewer.state import ViewState


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("card")))])


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


def test_without_a_site_the_card_says_how_to_get_one(library):
    _, card = card_of(library)
    assert "No site is selected" in words(card.view())


def test_the_head_says_what_was_measured_where_and_by_which_run(library):
    _, card = card_of(library, site="b001")
    text = words(card.view())
    for part in ("b001", "stiffness map", "sphere, R 5 µm", "on the disc", "run-0001"):
        assert part in text


def test_a_note_of_the_folder_cannot_become_markup(library):
    _, card = card_of(library, site="b001")
    assert card_kit.NOTE not in words(card.view())
    assert "&lt;b&gt;said" in words(card.view())


def test_the_number_is_the_table_s_with_its_interval(library):
    _, card = card_of(library, site="b002")
    row = library.sites("tiny-1").set_index("site").loc["b002"]
    number, interval = value_and_interval(
        row["modulus_kPa"], row["modulus_ci_low_kPa"], row["modulus_ci_high_kPa"]
    )
    text = words(card.view())
    assert f'<span class="number">{number} <small>kPa' in text
    assert interval in text
    assert "apparent indentation modulus" in text
    assert row["modulus_kPa"] == pytest.approx(card_kit.MODULUS_KPA, rel=0.02)


def test_the_card_says_what_the_number_rests_on(library):
    _, card = card_of(library, site="b001")
    text = words(card.view())
    assert NOT_INDEPENDENT in text
    for part in ("exact sphere", "13 of 15 taken", "shared by the probe", "Poisson ratio"):
        assert part in text


def test_the_typical_curve_is_shown_first_and_the_state_is_left_alone(library):
    state, card = card_of(library, site="b001")
    curves = face(card, "curves")
    assert curves.shown == curves.typical
    assert state.curve is None


def test_another_curve_changes_the_figures_in_place(library):
    state, card = card_of(library, site="b001")
    curves = face(card, "curves")
    plot = curves._plot
    before = plot._approach, plot.fig, np.array(plot._approach.data["y"])
    state.curve = 0
    assert curves.shown == 0
    assert (plot._approach, plot.fig) == before[:2]
    assert not np.array_equal(plot._approach.data["y"], before[2])
    assert "row 0, column 0" in words(card.view())


def test_a_curve_left_out_is_drawn_with_its_reason(library):
    state, card = card_of(library, site="b001")
    state.curve = card_kit.UNTOUCHED
    text = words(card.view())
    sentence = next(flag.sentence for flag in FLAGS if flag.name == "no_contact")
    assert sentence in text
    assert "left out" in text
    assert len(face(card, "curves")._plot._approach.data["y"]) == 200


def test_a_place_without_a_curve_falls_back_to_the_typical_one(library):
    state, card = card_of(library, site="b001")
    state.curve = card_kit.UNTAKEN
    assert face(card, "curves").shown == face(card, "curves").typical


def test_stepping_writes_the_state(library):
    state, card = card_of(library, site="b001", curve=card_kit.UNTAKEN - 1)
    face(card, "curves").step(1)
    assert state.curve == card_kit.UNTAKEN + 1
    assert face(card, "curves").shown == card_kit.UNTAKEN + 1


def test_the_slider_walks_and_follows(library):
    state, card = card_of(library, site="b001", curve=0)
    slider = face(card, "curves")._slider
    slider.value = 8
    assert state.curve == 8
    state.curve = 11
    assert slider.value == 11


def test_the_map_hatches_what_does_not_count_and_marks_the_chosen(library):
    state, card = card_of(library, site="b001", curve=5)
    picture = face(card, "curves")._picture
    shown = picture._image.data["value"][0]
    assert np.isfinite(shown).sum() == 13
    out = set(zip(picture._left_out.data["x"], picture._left_out.data["y"], strict=True))
    assert len(out) == 3
    # the hatched cells are those without a colour
    for x, y in out:
        assert np.isnan(shown[int(y), int(x)])
    state.curve = card_kit.STEPPED
    chosen = picture._chosen.data
    assert (chosen["x"][0], chosen["y"][0]) in out


def test_a_click_on_the_map_chooses_the_curve_under_it(library):
    state, card = card_of(library, site="b001")
    picture = face(card, "curves")._picture

    class At:
        x, y = 2.5, 1.5

    picture._tapped(At())
    assert state.curve == picture._grid[1, 2]
    mark = picture._chosen.data
    assert (mark["x"][0], mark["y"][0]) == (2.5, 1.5)


def test_force_against_indentation_replaces_drive(library):
    _, card = card_of(library, site="b002", curve=0)
    plot = face(card, "curves")._plot
    plot.show_force(True)
    x, y = plot._approach.data["x"], plot._approach.data["y"]
    model = plot._model.data["y"]
    assert plot.fig.yaxis[0].axis_label == "force (nN)"
    assert plot.residual.xaxis[0].axis_label == "indentation (nm)"
    assert np.max(np.abs(y - model)[x > 0]) < 0.02 * y.max()
    assert plot._contact.data == {"x": [0.0], "y": [0.0]}


def test_the_depth_scan_is_flat_where_the_model_is_right(library):
    _, card = card_of(library, site="b002")
    scan = face(card, "curves")._scan._points.data["y"]
    assert len(scan) >= 4
    # paraboloid curves read as a sphere: less than the 1-2 % between the two laws plus noise
    assert max(scan) / min(scan) < 1.08
    low, high = (
        face(card, "curves")._scan.fig.y_range.start,
        face(card, "curves")._scan.fig.y_range.end,
    )
    assert (high - low) / np.median(scan) > 0.08


def test_the_curve_s_numbers_are_the_table_s(library):
    _, card = card_of(library, site="b002", curve=4)
    row = library.site_curves("tiny-1", "b002").iloc[4]
    assert plus_minus(row["modulus_kPa"], row["modulus_se_kPa"], "kPa") in words(card.view())


def test_a_face_the_site_lacks_gives_way_to_one_it_has(library):
    state, card = card_of(library, site="n001", card_tab="curves")
    assert card.face == "network"
    assert card._tabs["curves"].disabled
    state.select("b001")
    assert card.face == "curves"
    assert state.card_tab == "curves"


def test_the_cells_face_shows_shares_and_the_rule_of_a_clicked_group(library):
    _, card = card_of(library, site="b001", card_tab="cells")
    cells = face(card, "cells")
    row = library.sites("tiny-1").set_index("site").loc["b001"]
    text = words(card.view())
    assert f"{100 * row['fraction_diffuse']:.0f} %" in text
    found = cells._facts

    class At:
        x, y = found.x_um[0], found.y_um[0]

    cells._picture._tapped(At())
    group = int(found.group[0])
    groups = library.table("tiny-1", "cell_groups").set_index("cell_group")
    from html import escape

    assert escape(str(groups.loc[group, "rule"])) in words(card.view())
    assert len(cells._picture._chosen.data["x"]) == (found.group == group).sum()


def test_the_other_theme_keeps_what_is_shown(library):
    state, card = card_of(library, site="b001", curve=5, dark=True)
    ground = card._look.ground
    state.dark = False
    assert card._look.ground != ground
    assert face(card, "curves").shown == 5
    assert "row 1, column 1" in words(card.view())


def test_a_folded_card_waits_and_catches_up(library):
    state, card = card_of(library, site="b001", card_open=False)
    assert not card._faces
    state.card_open = True
    assert "b001" in words(card.view())


def test_excluding_flags_forbid_the_number(library):
    from dataclasses import replace

    from viewer.card_facts import site_facts

    facts = site_facts(library, "tiny-1", "b002")
    sound = replace(facts, row={**facts.row, "flags": ""})
    assert verdict(sound, "curves").startswith("Sound")
    unused = replace(facts, row={**facts.row, "flags": "no_curve_used"})
    assert verdict(unused, "curves").startswith("Not to be quoted")
    careful = replace(facts, row={**facts.row, "flags": "few_curves_used"})
    assert "with care: few curves used" in verdict(careful, "curves")


def test_a_disc_never_analysed_says_so_on_every_face(library, tmp_path):
    import folder_kit

    from engine.importing import import_folder

    import_folder(folder_kit.write_folder(tmp_path / "folder"), tmp_path / "raw.zarr")
    raw = Library([open_store(tmp_path / "raw.zarr")])
    state, card = card_of(raw, site="n001")
    for tab in ("network", "cells"):
        state.card_tab = tab
        assert "not analysed yet" in words(card.view()).lower()
    state.select("b001")
    assert "not analysed yet" in words(card.view()).lower()


def test_a_run_of_another_version_is_shown_and_told_apart(library):
    from viewer.card_curve_facts import curve_facts, run_settings
    from viewer.card_curve_words import curve_title_html
    from viewer.card_facts import map_facts, site_facts

    facts = site_facts(library, "tiny-1", "b002")
    found, curve = map_facts(library, facts), curve_facts(library, facts, 0)
    assert "another version" not in curve_title_html(found, 0, curve)
    from dataclasses import replace

    other = replace(found, modulus_kPa=found.modulus_kPa * 1.01)
    assert "another version" in curve_title_html(other, 0, curve)

    class Old:
        def run_info(self, _run):
            return {"settings": {"mechanics": {"weak_sigma": 41.0, "long_gone": 3}}}

    class OldLibrary:
        def store(self, _disc):
            return Old()

        def kept(self, _key, make):
            return make()

    assert run_settings(OldLibrary(), facts).weak_sigma == 41.0


def test_the_cells_face_says_how_sure_the_place_is(library):
    from viewer.card_facts import site_facts
    from viewer.card_place import place_html

    facts, frame = site_facts(library, "tiny-1", "b001"), library.store("tiny-1").frame
    assert facts is not None
    # the folder's landmarks lie within a rounding of the frame, so the pattern can't depend on it
    assert 0 < facts.number("position_se_um") < facts.number("position_95_um") < 0.01
    assert facts.number("pattern_stability") == 1.0
    text = place_html(facts, frame)
    assert "pattern kept when shifted so" in text
    assert "5 (similarity, mirrored)" in text
    unsure = {**facts.row, "pattern_stability": 0.6, "pattern_beside": "double_string"}
    assert "60 %, else mostly double string" in place_html(replace(facts, row=unsure), frame)
    assert "no landmarks" in place_html(facts, identity_frame())
