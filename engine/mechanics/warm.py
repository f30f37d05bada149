"""Compile the kernels before they are needed, so that several workers need not each do it."""

import numpy as np

from .fit import fit_curves
from .models import Tip


def warm_up() -> None:
    """Compile, or load from the cache, all that `fit_curves` calls: about 13 s the first time."""
    z = np.linspace(0.0, 100.0, 64)
    d = 0.05 * np.maximum(z - 50.0, 0.0)[None, :] ** 1.5
    fit_curves(
        z,
        d,
        tip=Tip("paraboloid", 100.0),
        spring_constant_N_per_m=1.0,
        poisson_ratio=0.5,
        retract_z_nm=z[::-1],
        retract_deflection_nm=d[:, ::-1],
    )
