"""Trying other settings on the card: the engine's numbers are shown, and nothing is kept."""

import time
from dataclasses import replace
from hashlib import sha256

import card_kit
import numpy as np
import pytest

from engine.mechanics import FLAGS, MechanicsSettings
from engine.settings import Settings, settings_of
from engine.store import open_store
from viewer.card_facts import map_facts, site_facts
from viewer.card_rerun import Rerun, settings_for
from viewer.card_trial_facts import as_stored, flag_names, shapes_for, try_on_map
from viewer.card_trial_words import trial_html
from viewer.library import Library
from viewer.site_card import SiteCard
from viewer.state import ViewState


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return Library([open_store(card_kit.make_store(tmp_path_factory.mktemp("trial")))])


@pytest.fixture(scope="module")
def b002(library):
    facts = site_facts(library, "tiny-1", "b002")
    return facts, map_facts(library, facts)


def face_of(library, **what):
    state = ViewState(discs=["tiny-1"], disc="tiny-1", **what)
    return state, SiteCard(state, library)._faces["curves"]


def test_without_a_change_the_trial_is_the_run(library, b002):
    outcome = try_on_map(library, *b002, as_stored(b002[0]))
    assert outcome.change.median_ratio == pytest.approx(1.0)
    used = b002[1].used
    assert np.allclose(outcome.tried.modulus_kPa[used], b002[1].modulus_kPa[used], rtol=2e-3)


def test_poisson_ratio_and_radius_act_as_the_formula_says(library, b002):
    stored = as_stored(b002[0])
    # E = E* (1 - nu^2): the fit of E* does not know the Poisson ratio
    other = try_on_map(library, *b002, replace(stored, poisson_ratio=0.3))
    assert other.change.median_ratio == pytest.approx((1 - 0.09) / (1 - stored.poisson_ratio**2))
    # paraboloid: E* goes as R^-1/2 at a given force and depth
    paraboloid = replace(stored, shape="paraboloid")
    wide = try_on_map(library, *b002, replace(paraboloid, radius_nm=4 * stored.radius_nm))
    narrow = try_on_map(library, *b002, paraboloid)
    ratio = wide.after.median_kPa / narrow.after.median_kPa
    assert ratio == pytest.approx(0.5, rel=1e-3)


def test_a_smaller_share_of_the_depth_is_fitted(library, b002):
    half = try_on_map(library, *b002, replace(as_stored(b002[0]), depth_share=0.5))
    assert half.after.indentation_nm == pytest.approx(0.5 * half.before.indentation_nm, rel=0.05)
    # the curves follow their law at every depth
    assert half.change.median_ratio == pytest.approx(1.0, abs=0.03)


def test_only_laws_the_probe_has_sizes_for_are_offered(b002):
    assert shapes_for(b002[0], MechanicsSettings()) == ("sphere", "paraboloid")


def test_flags_are_named_by_their_bits():
    bits = np.array([0, 0b101], np.uint32)
    assert flag_names(bits) == ("", f"{FLAGS[0].name};{FLAGS[2].name}")


def test_before_and_after_stand_in_words(library, b002):
    stored = as_stored(b002[0])
    outcome = try_on_map(library, *b002, replace(stored, poisson_ratio=0.0))
    text = trial_html(outcome, True)
    assert "trial" in text
    assert f"+{100 * (1 / (1 - stored.poisson_ratio**2) - 1):.1f} %" in text
    assert "nothing that is stored changes" in text


def test_the_fold_follows_its_sliders_and_goes_back(library):
    _, face = face_of(library, site="b002")
    fold = face._trial
    assert not fold._body.visible
    fold._switch._clicked()
    assert fold._body.visible
    assert fold._reset.disabled
    fold._poisson.value = 0.2
    fold._depth.value = 0.6
    assert (fold.trial.poisson_ratio, fold.trial.depth_share) == (0.2, 0.6)
    assert "as tried" in fold._text.object
    before, after = (p._image.data["value"][0] for p in fold._maps)
    assert not np.allclose(before, after, equal_nan=True)
    fold.reset()
    assert fold.trial == as_stored(fold._site)
    assert fold._reset.disabled


def test_another_site_ends_the_trial(library):
    state, face = face_of(library, site="b001")
    face._trial._switch._clicked()
    face._trial._depth.value = 0.5
    state.select("b002")
    assert face._trial.trial == as_stored(face._trial._site)
    assert face._trial._site.stored.site == "b002"


def test_the_store_is_left_as_it_was(library):
    def digest():
        files = sorted(p for p in library.store("tiny-1").path.rglob("*") if p.is_file())
        return sha256(b"".join(p.read_bytes() for p in files)).hexdigest()

    before = digest()
    _, face = face_of(library, site="b002")
    face._trial._switch._clicked()
    face._trial._depth.value = 0.4
    face._contact._line.location = 0.01
    assert digest() == before


def test_the_contact_can_be_dragged_and_put_back(library):
    _, face = face_of(library, site="b002", curve=3)
    handle, plot = face._contact, face._plot
    model = np.array(plot._model.data["y"])
    fitted = handle._facts.explained.fit.modulus_kPa[0]
    moduli = {}
    for off_nm in (-40.0, 40.0):
        handle._line.location = off_nm / 1e3
        assert not np.allclose(plot._model.data["y"], model)
        assert handle._slider.value == pytest.approx(off_nm)
        assert "instead of" in handle._text.object
        moduli[off_nm] = handle._text.object
    # contact read too late: the same force from less depth, so a stiffer number
    assert "later" in moduli[40.0]
    assert "(+" in moduli[40.0]
    assert "earlier" in moduli[-40.0]
    assert "(−" in moduli[-40.0]
    handle.back()
    assert np.allclose(plot._model.data["y"], model)
    assert handle._line.location == 0.0
    assert np.isfinite(fitted)


def test_the_slider_moves_the_same_handle(library):
    _, face = face_of(library, site="b002", curve=3)
    face._contact._slider.value = 25.0
    assert face._contact._line.location == pytest.approx(0.025)
    assert not face._contact._back.disabled


def test_no_handle_where_nothing_was_fitted_or_force_is_drawn(library):
    state, face = face_of(library, site="b001", curve=card_kit.UNTOUCHED)
    fitted = np.isfinite(face._contact._facts.explained.fit.modulus_kPa[0])
    assert face._contact.view.visible == fitted
    state.curve = 0
    assert face._contact._line.visible
    face._show_force(True)
    assert not face._contact._line.visible
    face._show_force(False)
    assert face._contact._line.visible


def test_settings_of_an_older_run_are_read_without_what_is_no_more():
    kept = Settings.model_validate({"mechanics": {"weak_sigma": 41.0}, "seed": 3})
    record = kept.model_dump(mode="json")
    record["mechanics"]["a_name_of_old"] = 1.0
    record["cells"]["detection"]["another"] = "x"
    record["gone"] = {"deep": 2}
    assert settings_of(record) == kept
    record["mechanics"]["weak_sigma"] = -1.0
    with pytest.raises(ValueError, match="weak_sigma"):
        settings_of(record)


def test_a_threshold_reads_the_contact_late_and_is_for_one_map_alone(library, b002):
    trial = replace(as_stored(b002[0]), contact="threshold")
    outcome = try_on_map(library, *b002, trial)
    # the same force from less depth
    assert outcome.change.median_ratio > 1.005
    assert outcome.after.indentation_nm < outcome.before.indentation_nm
    settings, words = settings_for(library.store("tiny-1").path, b002[0], trial)
    assert settings is None
    assert "For this map only" in words
    _, face = face_of(library, site="b002")
    fold = face._trial
    fold._switch._clicked()
    fold._contact.value = "threshold"
    assert fold.trial == trial
    assert fold._rerun._start.disabled
    fold.reset()
    assert fold.trial.contact == "fitted"


def test_a_trial_is_offered_for_the_whole_disc_where_it_changes_something(library, b002):
    path = library.store("tiny-1").path
    stored = as_stored(b002[0])
    assert settings_for(path, b002[0], stored) == (None, "")
    settings, words = settings_for(path, b002[0], replace(stored, poisson_ratio=0.3))
    assert "every map of the probe bead" in words
    assert settings.mechanics.probes["bead"].model_dump(exclude_none=True) == {"poisson_ratio": 0.3}


def test_a_new_run_is_made_in_the_background_or_cancelled(tmp_path):
    path = card_kit.make_store(tmp_path)
    other = Settings.model_validate({"mechanics": {"weak_sigma": 41.0}})
    cancelled = Rerun(path, other)
    cancelled.cancel()
    assert cancelled.state == "cancelled"
    assert open_store(path).current_run == "run-0001"
    rerun = Rerun(path, other)
    end = time.monotonic() + 60
    while rerun.look() and time.monotonic() < end:
        time.sleep(0.05)
    assert (rerun.state, rerun.what) == ("done", "run-0002")
    assert open_store(path).run_info()["settings"]["mechanics"]["weak_sigma"] == 41.0
