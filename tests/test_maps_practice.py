"""Contact heights on a practice disc, whose model and code are not ours, against its truth."""

from pathlib import Path

import numpy as np
import pytest

from engine.collagen.polynomial import subtract_polynomial
from engine.force_volume import force_volume
from engine.importing import import_folder
from engine.settings import Settings
from engine.store import open_store
from engine.tasks import analyse_network, fit_site

PRACTICE = Path(__file__).resolve().parents[2] / "shared" / "practice" / "small"

pytestmark = [
    pytest.mark.practice,
    pytest.mark.skipif(
        not PRACTICE.is_dir(), reason="the practice discs are not beside the checkout"
    ),
]


@pytest.fixture(scope="module")
def mapped(tmp_path_factory):
    home = tmp_path_factory.mktemp("practice") / "small.zarr"
    import_folder(PRACTICE / "disc", home)
    store, settings = open_store(home), Settings()
    site = next(s for s in store.sites.values() if s.has_curves and s.has_height)
    image = analyse_network(store, site.site, settings).levelled_nm.astype(float)
    volume = force_volume(
        fit_site(store, site.site, settings),
        (site.rows, site.cols),
        site.footprint,
        image,
        settings.collagen,
        settings.maps,
    )
    return site, volume


def test_contact_heights_are_the_truth_s(mapped):
    site, volume = mapped
    with np.load(PRACTICE / "truth" / f"nano_{site.site}.npz") as truth:
        contact_nm = 1e3 * truth["contact_z_um"]
    height = volume.map("contact_height_nm")
    known = np.isfinite(height)
    error = height - subtract_polynomial(np.where(known, -contact_nm, np.nan), 1)
    assert known.mean() > 0.9
    assert np.median(np.abs(error[known])) < 3.0
    assert np.percentile(np.abs(error[known]), 95) < 15.0


def test_the_site_s_own_image_is_followed_at_its_place_and_scale(mapped):
    _, volume = mapped
    match = volume.match
    assert match.correlation > 0.99
    assert match.scale == pytest.approx(1.0, abs=0.03)
    assert max(abs(match.shift_u_nm), abs(match.shift_v_nm)) < 0.1 * volume.pixel_u_nm
    assert volume.flags == ()
