"""Settings for one probe reach every number of it, and the run says with what it was made."""

import folder_kit
import numpy as np
import pytest
import tomli_w
from typer.testing import CliRunner

from engine.analysis import analyse_store
from engine.assumptions import assumptions
from engine.errors import FolderError
from engine.importing import import_folder
from engine.mechanics import Layer, MechanicsSettings, ProbeSettings, Tip, refit_map
from engine.settings import Settings, read_settings, settings_as_toml
from engine.store import open_store
from viewer.card_curve_facts import curve_facts, refit_differs
from viewer.card_curve_words import why_html
from viewer.card_facts import map_facts, site_facts
from viewer.card_figures import look_of
from viewer.card_head import number_html
from viewer.card_rerun import settings_for
from viewer.card_trial_facts import Trial, as_stored, try_on_map
from viewer.cli import app
from viewer.library import Library

BEAD = {
    "shape": "sphere",
    "radius_um": 5.0,
    "spring_constant_N_per_m": 0.8,
    "sensitivity_nm_per_V": 60.0,
}
SHARP = {"shape": "cone", "radius_um": 0.02, "half_angle_deg": 20.0, "spring_constant_N_per_m": 0.1}
SAMPLE = {"poisson_ratio": 0.5, "thickness_um": 900.0}
CHANGED = ProbeSettings(
    contact_model="paraboloid", fit_depth_share=0.6, poisson_ratio=0.3, tip_radius_nm=4000.0
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    home = tmp_path_factory.mktemp("assumed")
    folder = folder_kit.write_folder(home / "folder", heights=None)
    import_folder(folder, home / "a.zarr")
    analyse_store(home / "a.zarr")
    return home / "a.zarr"


def given(**probes):
    return MechanicsSettings(probes=probes)


def test_a_probe_s_own_settings_stand_above_those_for_every_probe():
    s = MechanicsSettings(
        every_probe={"poisson_ratio": 0.2, "fit_depth_share": 0.5},
        probes={"bead": {"poisson_ratio": 0.4}},
    )
    bead, other = (assumptions(BEAD, SAMPLE, s, name) for name in ("bead", "other"))
    assert (bead.poisson_ratio, bead.depth_share) == (0.4, 0.5)
    assert (other.poisson_ratio, other.depth_share) == (0.2, 0.5)
    plain = assumptions(BEAD, SAMPLE, MechanicsSettings(), "bead")
    assert plain.tip == Tip("sphere", 5000.0)
    assert (plain.poisson_ratio, plain.thickness_um, plain.depth_share) == (0.5, 900.0, 1.0)
    assert plain.layer == Layer(9e5, 0.5, "bonded")
    assert plain.changed == ()
    assert bead.changed == ("fit_depth_share", "poisson_ratio")


def test_a_cone_asked_for_by_name_is_sharp():
    def law(**s):
        return assumptions(SHARP, SAMPLE, given(tip=ProbeSettings(**s)), "tip").tip.law.name

    assert law() == law(tip_radius_nm=40.0) == "capped_cone"
    assert law(contact_model="cone") == "cone"
    assert law(contact_model="pyramid") == "pyramid"


def test_every_number_follows(store):
    first = open_store(store).table("sites").set_index("site")
    outcome = analyse_store(store, Settings(mechanics=given(bead=CHANGED)))
    opened = open_store(store)
    assert opened.current_run == outcome.run
    sites = opened.table("sites").set_index("site")
    z, d = opened.curves("b001").approach()
    by_hand = refit_map(
        z,
        d,
        tip=Tip("paraboloid", 4000.0),
        spring_constant_N_per_m=0.8,
        poisson_ratio=0.3,
        depth_share=0.6,
    )
    assert sites.modulus_kPa["b001"] == pytest.approx(np.median(by_hand.modulus_kPa))
    assert not np.isclose(sites.modulus_kPa["b001"], first.modulus_kPa["b001"], rtol=0.05)
    assert sites.modulus_model["b001"] == "paraboloid"
    assert sites.modulus_depth_share["b001"] == 0.6
    assert sites.modulus_poisson_ratio["b001"] == 0.3
    assert sites.indentation_nm["b001"] < 0.65 * first.indentation_nm["b001"]
    assumed = opened.run_info()["probes"]["bead"]
    assert assumed["contact_model"] == "paraboloid"
    assert (assumed["radius_nm"], assumed["depth_share"]) == (4000.0, 0.6)
    assert sorted(assumed["changed"]) == sorted(CHANGED.model_dump(exclude_none=True))
    # the card fits and speaks as the run did
    library = Library([opened])
    facts = site_facts(library, "tiny-1", "b001")
    found = map_facts(library, facts)
    for curve in (0, 5):
        assert not refit_differs(curve_facts(library, facts, curve), found.modulus_kPa[curve])
    told = why_html(facts, found)
    for words in ("paraboloid on a half-space", "first 60 %", "0.3 (settings; disc folder: 0.5)"):
        assert words in told
    assert "R 4 µm (settings; disc folder: sphere, R 5 µm)" in told
    head = number_html(facts, "curves", look_of(True), found)
    assert "paraboloid, 0 to" in head
    assert "first 60 %" in head
    assert as_stored(facts) == Trial("paraboloid", 0.6, 0.3, 4000.0)


def test_what_is_tried_on_the_card_is_what_the_whole_disc_gets(store):
    analyse_store(store, Settings(seed=5))
    library = Library([open_store(store)])
    facts = site_facts(library, "tiny-1", "b001")
    trial = Trial("paraboloid", 0.5, 0.45, 6000.0)
    tried = try_on_map(library, facts, map_facts(library, facts), trial)
    settings, _ = settings_for(store, facts, trial)
    assert settings.seed == 5
    analyse_store(store, settings)
    sites = open_store(store).table("sites").set_index("site")
    assert sites.modulus_kPa["b001"] == pytest.approx(tried.after.median_kPa, rel=1e-9)
    assert sites.curves_used["b001"] == tried.after.curves_used
    # and back again from there
    library = Library([open_store(store)])
    facts = site_facts(library, "tiny-1", "b001")
    assert as_stored(facts) == trial
    settings, _ = settings_for(store, facts, Trial("sphere", 1.0, 0.5, 5000.0))
    analyse_store(store, settings)
    again = open_store(store).table("sites").set_index("site")
    assert again.modulus_kPa["b001"] == pytest.approx(folder_kit.MODULUS_KPA, rel=0.03)


@pytest.mark.parametrize(
    ("probes", "expected"),
    [
        ({"beat": {"poisson_ratio": 0.3}}, ["mechanics.probes.beat", "no such probe", "bead"]),
        ({"bead": {"contact_model": "cone"}}, ["bead.contact_model", "half_angle_deg", "None"]),
        ({"bead": {"poisson_ratio": 0.6}}, ["bead.poisson_ratio", "0.6", "0.5"]),
        ({"bead": {"radius_nm": 3.0}}, ["bead.radius_nm", "Extra"]),
        ({"bead": {"tip_radius_nm": float("nan")}}, ["bead.tip_radius_nm", "nan"]),
        ({"bead": {"contact_model": "cube"}}, ["bead.contact_model", "'cube'", "sphere"]),
    ],
)
def test_settings_that_do_not_fit_the_probes_are_one_error_each(store, tmp_path, probes, expected):
    before = sorted(p for p in store.rglob("*") if p.is_file())
    path = tmp_path / "s.toml"
    path.write_text(tomli_w.dumps({"mechanics": {"probes": probes}}))
    result = CliRunner().invoke(app, ["analyse", str(store), "--settings", str(path)])
    assert result.exit_code == 2, result.output
    assert "1 defect" in result.output
    for word in expected:
        assert word in result.output
    assert sorted(p for p in store.rglob("*") if p.is_file()) == before


def test_all_defects_of_the_probes_come_together(store):
    s = given(beat=ProbeSettings(), bead=ProbeSettings(contact_model="pyramid"))
    with pytest.raises(FolderError) as caught:
        analyse_store(store, Settings(mechanics=s))
    assert len(caught.value.defects) == 2


def test_probe_settings_round_trip_and_are_told_of(tmp_path):
    settings = Settings(mechanics=given(bead=CHANGED))
    path = tmp_path / "s.toml"
    path.write_text(settings_as_toml(settings))
    assert read_settings(path) == settings
    for name in ProbeSettings.model_fields:
        assert f"# {name} = " in settings_as_toml(Settings())
