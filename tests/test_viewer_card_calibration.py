"""The card says where a probe's numbers come from and draws the files they rest on."""

from pathlib import Path

import numpy as np
import pytest
from calibration_kit import calibrated_folder, density
from typer.testing import CliRunner

from engine.importing import import_folder
from engine.store import open_store
from viewer.card_calibration import CalibrationFold, thinned
from viewer.card_facts import site_facts
from viewer.card_figures import look_of
from viewer.cli import app
from viewer.library import Library


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("card_calibration")
    import_folder(calibrated_folder(home / "disc"), home / "disc.zarr")
    return home / "disc.zarr"


def test_values_curves_and_spectrum(store: Path) -> None:
    library = Library([open_store(store)])
    site = site_facts(library, "tiny-1", "b001")
    assert site is not None
    fold = CalibrationFold(look_of(True), library)
    fold.show(site)
    assert "from its thermal motion" in fold._values.object
    assert "from its stiff curve" in fold._values.object
    assert not fold._body.objects
    fold._switch._clicked()
    assert fold._body.visible
    assert len(fold._body.objects) == 4
    assert "rectangular beam" in fold._thermal_text.object
    assert "6 curves" in fold._stiff_text.object
    image = site_facts(library, "tiny-1", "n001")
    assert image is not None
    fold.show(image)
    assert not fold._body.visible
    assert "as disc.toml says" in fold._values.object
    assert "not in volts" in fold._values.object


def test_thinning_keeps_a_spectrum() -> None:
    f = np.arange(0.0, 60e3, 10.0)
    x, y = thinned(f, density(f, 0.1))
    assert len(x) < 320
    np.testing.assert_allclose(y, density(x, 0.1), rtol=0.02)


def test_the_check_tells_the_values(store: Path) -> None:
    for what in (store, store.parent / "disc"):
        said = CliRunner().invoke(app, ["check", str(what)])
        assert said.exit_code == 0, said.output
        assert "probe bead: sensitivity 6" in said.output
        assert "from its thermal motion" in said.output
