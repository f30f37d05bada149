import curve_simulator
import numpy as np
import pytest

from engine.errors import SplendensError
from engine.mechanics import CurveFits, FitCancelled, Tip, fit_curves

COMMON = {
    "tip": Tip("sphere", 5000.0),
    "spring_constant_N_per_m": 0.8,
    "poisson_ratio": 0.5,
}
ARRAYS = [name for name, kind in CurveFits.__annotations__.items() if "ndarray" in str(kind)]
assert len(ARRAYS) > 15


class Lazy:
    """Rows that are only read in slices, and how many at most."""

    def __init__(self, array):
        self.array, self.shape, self.ndim, self.most = array, array.shape, array.ndim, 0

    def __getitem__(self, rows):
        assert isinstance(rows, slice)
        self.most = max(self.most, len(self.array[rows]))
        return self.array[rows]


@pytest.fixture(scope="module")
def image():
    z, d, _ = curve_simulator.curves(1500, 128)
    d[7] = np.nan
    d[900] = 0.1
    return z, d


def test_chunks_give_what_the_whole_gives(image):
    z, d = image
    whole = fit_curves(z, d, **COMMON)
    for chunk, threads in ((400, 1), (700, 2)):
        parts = fit_curves(z, d, chunk_curves=chunk, threads=threads, **COMMON)
        for name in ("modulus_kPa", "contact_z_nm", "rmse_nN", "exponent", "flags", "used"):
            np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name), name)
        # errors rest on the noise, which other curves tell
        good = whole.used
        np.testing.assert_allclose(parts.log_modulus_se[good], whole.log_modulus_se[good], rtol=0.1)
    one, two = (fit_curves(z, d, chunk_curves=c, **COMMON) for c in (300, 500))
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name), name)


def test_files_are_read_by_slices_only(image):
    z, d = image
    lazy, back = Lazy(d), Lazy(d[:, ::-1])
    found = fit_curves(
        z,
        lazy,
        retract_z_nm=z[::-1],
        retract_deflection_nm=back,
        valid=np.arange(len(d)) != 3,
        chunk_curves=256,
        **COMMON,
    )
    assert max(lazy.most, back.most) == 256
    assert not found.used[3]
    assert np.isfinite(found.adhesion_nN[found.used]).all()


def test_progress_and_cancellation(image):
    z, d = image
    seen = []
    fit_curves(z, d, chunk_curves=400, progress=lambda *a: seen.append(a), **COMMON)
    assert seen == [(400, 1500), (800, 1500), (1200, 1500), (1500, 1500)]
    seen.clear()
    fit_curves(z, d[:9], progress=lambda *a: seen.append(a), **COMMON)
    assert seen == [(9, 9)]
    seen.clear()
    with pytest.raises(FitCancelled, match="cancelled"):
        fit_curves(
            z,
            d,
            chunk_curves=400,
            progress=lambda *a: seen.append(a),
            cancelled=lambda: len(seen) == 2,
            **COMMON,
        )
    assert len(seen) == 2
    assert issubclass(FitCancelled, SplendensError)


def test_chunks_side_by_side_come_in_order_and_can_be_stopped(image):
    z, d = image
    seen = []
    one = fit_curves(z, d, chunk_curves=200, **COMMON)
    two = fit_curves(
        z, d, chunk_curves=200, threads=3, progress=lambda *a: seen.append(a), **COMMON
    )
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name), name)
    assert seen == [(min(i, 1500), 1500) for i in range(200, 1601, 200)]
    with pytest.raises(FitCancelled):
        fit_curves(z, d, chunk_curves=200, threads=3, cancelled=lambda: bool(seen), **COMMON)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"valid": [True]}, "valid"),
        ({"retract_z_nm": np.arange(9.0)}, "together"),
        (
            {"retract_z_nm": np.arange(9.0), "retract_deflection_nm": np.ones((2, 9))},
            "1500 curves",
        ),
        ({"chunk_curves": 0}, "chunk_curves"),
    ],
)
def test_wrong_arguments_are_named(image, change, word):
    with pytest.raises(ValueError, match=word):
        fit_curves(*image, **({"chunk_curves": 400} | change), **COMMON)
