"""A map as a whole on the card and in the tray: how sure, does the law hold, the way back."""

import re
from dataclasses import replace
from types import SimpleNamespace

import card_kit
import numpy as np
import pandas as pd
import pytest

from engine.mechanics import MechanicsSettings, least_difference
from engine.store import open_store
from viewer.card_curve import CurvePlot
from viewer.card_curve_facts import curve_facts, run_settings
from viewer.card_curve_words import map_html, why_html
from viewer.card_facts import map_facts, site_facts
from viewer.card_figures import look_of
from viewer.card_flags import limited_rows, named_html
from viewer.card_head import number_html
from viewer.card_map import CurveMap, map_scale, reason_of
from viewer.card_map_facts import map_said
from viewer.card_map_words import back_html, budget_html, law_html, stretches_html
from viewer.card_stretches import chain_lines
from viewer.card_text import plain_number
from viewer.card_turn import turn_of
from viewer.library import Library
from viewer.modulus_basis import (
    Origin,
    basis_words,
    compared_words,
    is_modulus,
    relation,
    scatter_words,
    tray_words,
)


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library.open([card_kit.make_store(tmp_path_factory.mktemp("map-words"))])


@pytest.fixture(scope="module")
def site(library):
    return site_facts(library, "tiny-1", "b001")


def plain(html):
    return re.sub(r"<[^>]+>", " ", html)


def changed(site, **row):
    return replace(site, row=site.row | row)


def test_the_budget_s_bars_are_the_table_s_rows(library, site):
    said = map_said(library, site)
    table = library.table("tiny-1", "budgets")
    rows = table[table["site"] == "b001"]
    html = budget_html(site, said)
    for source in rows["source"]:
        assert source in html
    shared = rows.loc[rows["part"] == "shared by the probe", "relative"]
    assert site.number("modulus_syst_rel") == pytest.approx(np.sqrt((shared**2).sum()))
    assert html.index("spring constant") < html.index("tip radius")
    assert "same probe and day" in html
    near = plain_number(100 * least_difference(said.budget, shared=False), 2)
    assert f"from {near}\N{NO-BREAK SPACE}% on" in html


def test_a_number_that_is_not_quotable_says_why(library, site):
    said = map_said(library, site)
    stiff = changed(site, sensitivity_leverage=18.0)
    refused = replace(
        said,
        budget=replace(said.budget, quotable=False, why_not="the contact is 17 times stiffer."),
    )
    html = budget_html(stiff, refused)
    assert "Not to be quoted: the contact is 17 times stiffer." in html
    assert "from" not in plain(html).split("Not to be quoted")[0]
    assert "same probe and day" not in html


def test_leverage_decides_what_may_be_quoted(library, site):
    key = replace(site, stored=replace(site.stored, site="elsewhere"))
    said = map_said(library, changed(key, sensitivity_leverage=18.0, curves_used=60))
    assert not said.budget.quotable
    assert "17 times stiffer" in said.budget.why_not


def test_the_law_s_fold(library, site):
    html = plain(law_html(site, map_said(library, site)))
    sound = site.number("law_sound") == 1.0
    assert f"Does the contact law hold? {'Yes' if sound else 'No'}" in html
    assert "(this run)" in html
    assert "Durbin" in html
    doubtful = plain(law_html(changed(site, law_sound=False), map_said(library, site)))
    assert "hold? No" in doubtful
    assert "apparent modulus only" in doubtful


def test_the_way_back_s_fold(library, site):
    html = plain(back_html(site, map_said(library, site)))
    assert "lost of loading work" in html
    with_jkr = changed(site, jkr_modulus_kPa=61.0, jkr_curves=9, jkr_tabor=26.0, pull_off_nm=40.0)
    html = plain(back_html(with_jkr, map_said(library, site)))
    assert "ISO 21222, 9 curves" in html
    assert "JKR is the law for it" in html
    small = changed(with_jkr, jkr_tabor=0.05)
    assert "not to be used" in plain(back_html(small, map_said(library, site)))


def test_an_older_run_says_nothing_and_breaks_nothing(library, site):
    old = replace(site, row={"modulus_kPa": 100.0, "flags": "", "modulus_syst_rel": 0.1})
    said = replace(map_said(library, site), sources=(), laws=(), stretches=())
    assert budget_html(old, said) == law_html(old, said) == back_html(old, said) == ""
    assert "Uncertainty" in why_html(old, map_facts(library, site), said)


def test_the_verdict_under_the_map(library, site):
    found, turn = map_facts(library, site), turn_of(site.stored.footprint)
    drifting = changed(
        site, flags="modulus_drift", modulus_drift_rel=-0.3, modulus_drift_p=1e-4,
        curves_outlying=2, usable_share=0.8,
    )  # fmt: skip
    text = plain(map_html(drifting, found, turn, MechanicsSettings()))
    assert "drifts along the scan (\N{MINUS SIGN}30 %" in text
    assert "2 outliers, marked, and counted." in text
    assert "Usable: 80 %." in text
    assert "diamond: outlier" in text
    strict = plain(map_html(drifting, found, turn, MechanicsSettings(outliers_excluded=True)))
    assert "2 outliers, left out." in strict


def test_every_flag_stands_with_sentence_and_limit(library, site):
    settings = MechanicsSettings(tilt_share=0.07)
    (row,) = limited_rows(["tilt"], settings, card_flags())
    assert "baseline is tilted" in row[1]
    assert "7.0 % of the drive" in row[1]
    named = named_html(["tilt"], settings, card_flags())
    assert 'title="The baseline is tilted' in named
    careful = changed(site, flags="modulus_drift")
    html = number_html(careful, "curves", look_of(True), None, settings)
    assert "To be read with care:" in html
    assert "one map cannot tell" in html
    flags = why_html(careful, map_facts(library, site), map_said(library, site), settings)
    assert "modulus drift" in flags
    assert "Limits: 15 % from first to last" in flags


def card_flags():
    from engine.mechanics import FLAGS

    return FLAGS


def test_an_outlier_is_marked_and_named_as_the_reason_only_where_it_is_left_out(library, site):
    found = map_facts(library, site)
    flags = list(found.flags)
    flags[0], flags[1] = "tilt;outlier", "tilt;outlier"
    used = found.used.copy()
    used[1] = False
    changed_map = replace(found, flags=tuple(flags), used=used)
    assert reason_of(changed_map, 0) == ""
    assert reason_of(changed_map, 1) == "outlier"
    figure = CurveMap(look_of(True), lambda _i: None)
    figure.show(changed_map, turn_of(site.stored.footprint), map_scale(found), 1.0)
    assert len(figure._outliers.data["x"]) == 2


def test_a_curve_left_out_is_drawn_grey(library, site):
    look = look_of(True)
    plot = CurvePlot(look)
    facts = curve_facts(library, site, 0)
    plot.show(facts)
    assert plot._lines[0].glyph.line_color == look.chosen
    plot.show(facts, False)
    assert plot._lines[0].glyph.line_color == look.second
    assert len(plot._approach.data["x"]) > 50


def chain(facts):
    """A row of the table ``stretches`` that fits nothing, and where it must be drawn."""
    return {
        "chain": "worm_like", "stretch": 0, "row": 0, "col": 0, "first": 60, "last": 90,
        "rupture_nN": 0.1, "rupture_nm": 100.0, "contour_nm": 1e5, "contour_low_nm": 9e4,
        "contour_high_nm": 1.2e5, "persistence_nm": 0.4, "persistence_low_nm": 0.3,
        "persistence_high_nm": np.inf, "rmse_nN": 0.01,
    }  # fmt: skip


def test_a_fitted_chain_is_drawn_where_its_samples_lie(library, site):
    facts = curve_facts(library, site, 0)
    row = chain(facts)
    z = facts.retract_z_nm
    row["first"], row["last"] = len(z) // 2, len(z) - 1
    (line,) = chain_lines(facts, [row])
    # the pull is negative, the chain lies beyond the contact, and ends where its samples end
    assert (line.drive_um < 0).all()
    assert line.drive_um.min() == pytest.approx((z[-2] - facts.contact_z_nm) / 1e3, abs=0.02)
    k = facts.explained.fit.spring_constant_N_per_m
    base = facts.explained.fit.baseline_offset_nm[0] + facts.explained.fit.baseline_slope[0] * (
        line.drive_um * 1e3 + facts.contact_z_nm
    )
    assert (line.deflection_nm - base) * k == pytest.approx(line.force_nN, abs=1e-9)
    plot = CurvePlot(look_of(True))
    plot.show(facts, True, (line,))
    assert plot._chain_item.visible
    plot.show(facts)
    assert not plot._chain_item.visible
    assert plot._chain.data["xs"] == []


def test_stretches_stand_with_intervals_and_the_caution():
    row = chain(None) | {"contour_nm": 220.0, "contour_low_nm": 214.0, "contour_high_nm": 226.0}
    text = plain(stretches_html([row]))
    assert "220 nm (214 to 226)" in text
    assert "does not prove a chain" in text
    assert "open" in text  # an interval without an end is not written as one
    assert stretches_html([]) == ""


# ---- beside moduli elsewhere ---------------------------------------------------------------------


def test_moduli_carry_law_depth_and_probe(library):
    words = basis_words(library.sites("tiny-1"))
    assert words.startswith("bead, exact sphere, 0 to ")
    assert words.endswith("nm deep")
    assert is_modulus("sites.modulus_kPa")
    assert not is_modulus("sites.jkr_modulus_kPa")
    assert basis_words(pd.DataFrame({"modulus_kPa": [1.0]})) == ""


def origin(**change):
    given = {
        "disc": "d1", "probe": "bead", "day": "2026-01-01", "geometry": ("sphere", 5.0, None),
        "calibration": (0.1, 60.0),
    }  # fmt: skip
    return Origin(**(given | change))


def test_what_is_one_probe():
    one = origin()
    assert relation(one, origin()) == "same"
    assert relation(one, origin(disc="d2")) == "same"
    assert relation(one, origin(disc="d2", day="2026-01-02")) == "same day apart"
    assert relation(one, origin(disc="d2", calibration=(0.12, 60.0))) == "same day apart"
    assert relation(one, origin(disc="d2", day="")) == "same day apart"
    assert relation(one, origin(probe="tip", geometry=("cone", None, 20.0))) == "other"


def stand_in(days):
    """A library of discs with one probe each."""
    probe = {"shape": "sphere", "radius_um": 5.0, "spring_constant_N_per_m": 0.1}
    infos = {
        disc: {"disc": {"measured_on": day}, "probes": {"bead": probe, "tip": {"shape": "cone"}}}
        for disc, day in days.items()
    }
    return SimpleNamespace(store=lambda disc: SimpleNamespace(info=infos[disc]))


def rows(disc, probe="bead", shared=0.1, **more):
    given = {"disc": [disc], "probe": [probe], "modulus_kPa": [100.0], "modulus_syst_rel": [shared]}
    return pd.DataFrame(given | more)


def test_regions_are_told_what_they_may_be_compared_by():
    library = stand_in({"d1": "2026-01-01", "d2": "2026-01-02"})
    (same,) = compared_words(library, "AB", [rows("d1"), rows("d1")])
    assert same.startswith("Same probe, same day")
    (days,) = compared_words(library, "AB", [rows("d1"), rows("d2", shared=0.2)])
    # 1.96 sqrt(0.1^2 + 0.2^2) = 0.438
    assert "other days" in days
    assert "44 %" in days
    (probes,) = compared_words(library, "AB", [rows("d1"), rows("d1", "tip")])
    assert "Different probes" in probes
    three = compared_words(library, "ABC", [rows("d1"), rows("d1"), rows("d1", "tip")])
    assert len(three) == 2
    assert three[0].startswith("A−B: Same probe")
    assert three[1].startswith("A−C, B−C: Different")
    assert compared_words(library, "AB", [rows("d1", shared=np.nan), rows("d1")]) == ()


def test_what_must_not_be_quoted_is_counted():
    held = rows("d1", quotable=pd.array([False], dtype="boolean"))
    assert any(
        "should not be quoted" in text for text in tray_words(stand_in({"d1": ""}), "A", [held])
    )


def test_a_plot_of_several_probes_says_so():
    library = stand_in({"d1": "2026-01-01", "d2": "2026-01-02"})
    both = pd.concat([rows("d1"), rows("d2")])
    assert "2 probes or days" in scatter_words(library, both, ("modulus_kPa", "Sa_nm"))[0]
    assert scatter_words(library, both, ("Sq_nm", "Sa_nm")) == ()
    assert scatter_words(library, rows("d1"), ("modulus_kPa", "Sa_nm")) == ()


def test_the_settings_of_the_run_are_those_that_the_limits_tell(library, site):
    assert run_settings(library, site) == MechanicsSettings()
    assert open_store(library.store("tiny-1").path).table("laws")["of_the_run"].any()
