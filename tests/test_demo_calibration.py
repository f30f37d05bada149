"""The demo's calibration files say what its recipe says."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import tomli_w

from demo_zarr.calibration import calibration_table, write_calibration
from demo_zarr.recipe import BEAD, CALIBRATION, DISCS
from demo_zarr.scene import make_scene
from engine.calibration import calibrate_folder
from engine.intake import open_folder


def test_the_bead_s_numbers_come_back(tmp_path: Path) -> None:
    recipe = next(r for r in DISCS if r.calibrated)
    write_calibration(tmp_path, make_scene(replace(recipe, diameter_um=200.0)), BEAD)
    bead = {"shape": "sphere", "radius_nm": BEAD.radius_nm, "calibration": calibration_table()}
    text = tomli_w.dumps({"format": "disc-folder/1", "probes": {"bead": bead}})
    (tmp_path / "disc.toml").write_text(text, encoding="utf-8")
    folder = open_folder(tmp_path)
    found = calibrate_folder(folder)["bead"]
    own = found.values
    assert own.sensitivity_nm_per_V is not None
    assert abs(np.log(own.sensitivity_nm_per_V / BEAD.sensitivity_nm_per_V)) < 0.01
    assert own.spring_constant_N_per_m is not None
    assert own.spring_constant_rel_sd is not None
    off = np.log(own.spring_constant_N_per_m / BEAD.spring_constant_N_per_m)
    assert abs(off) < 3 * own.spring_constant_rel_sd < 0.15
    assert found.thermal is not None
    assert found.thermal.fit is not None
    assert abs(found.thermal.fit.resonance_Hz / CALIBRATION.resonance_Hz - 1) < 0.02
    assert not folder.cautions
