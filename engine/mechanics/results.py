"""What the fit of a map's curves gives."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .layer import Layer
from .models import Tip
from .noise import Noise

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CurveFits:
    """Fits of n curves; every array has shape (n,), NaN where a value could not be had.

    Attributes
    ----------
    modulus_kPa
        Young's modulus E (with the given Poisson ratio), kPa.
    modulus_se_kPa, log_modulus_se
        Standard error of E, kPa, and of ln E; intervals are symmetric in ln E.
    contact_z_nm, contact_se_nm
        Drive position of the contact and its standard error, nm.
    baseline_offset_nm, baseline_slope
        Baseline of the deflection: offset + slope * z, nm.
    indentation_nm, force_nN
        Largest depth and largest force of the fit.
    rmse_nN
        Root mean square residual.
    exponent, exponent_se
        Power of the depth when set free (1.5 for a sphere that obeys its law), and standard error.
    stiffness_ratio
        Contact stiffness at the largest depth over the spring constant.
    adhesion_nN
        Pull-off force below the retract's own baseline, >= 0.
    dissipation
        Work lost between way in and way out while the force is repulsive, over the work of loading.
    loading_work_aJ, lost_work_aJ
        Work of pushing in, the cantilever's own taken off, and what of it does not come back; aJ =
        nN nm.
    adhesion_work_aJ
        Work of the pull from zero force out to where the way back's baseline begins.
    pull_off_nm
        Separation from zero force to the pull-off; NaN where no adhesion stands out.
    jkr_modulus_kPa
        Modulus of the way back by two-point JKR, for a sphere or a paraboloid, where ``adhesion``
        is flagged.
    noise_nm
        Sigma of the white part of the noise before contact.
    baseline_share
        Share of the samples that lie before contact.
    flags
        Bit i stands for ``FLAGS[i]``.
    used
        Whether the curve enters summaries.
    noise
        Noise of the map, to be pooled over a probe's maps with `pool_noise`.
    tip, layer, spring_constant_N_per_m, poisson_ratio
        What the fit assumed.
    depth_share
        Share of each curve's own largest depth that was fitted.
    """

    modulus_kPa: Floats
    modulus_se_kPa: Floats
    log_modulus_se: Floats
    contact_z_nm: Floats
    contact_se_nm: Floats
    baseline_offset_nm: Floats
    baseline_slope: Floats
    indentation_nm: Floats
    force_nN: Floats
    rmse_nN: Floats
    exponent: Floats
    exponent_se: Floats
    stiffness_ratio: Floats
    adhesion_nN: Floats
    dissipation: Floats
    loading_work_aJ: Floats
    lost_work_aJ: Floats
    adhesion_work_aJ: Floats
    pull_off_nm: Floats
    jkr_modulus_kPa: Floats
    noise_nm: Floats
    baseline_share: Floats
    flags: NDArray[np.uint32]
    used: NDArray[np.bool_]
    noise: Noise
    tip: Tip
    layer: Layer | None
    spring_constant_N_per_m: float
    poisson_ratio: float
    depth_share: float = 1.0
