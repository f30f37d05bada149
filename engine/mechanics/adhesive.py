"""Adhesive contact laws, DMT and JKR, one formula and one registration each.

A law gives depth and force along its branch for a modulus and a pull-off force. The curve d(z)
follows from depth + force / k = z - z0 as without adhesion. On the way in a probe is free until the
surfaces touch; on the way out it holds on as far as the law and the spring allow.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .models import Tip, contact_force

Floats = NDArray[np.float64]
Branch = Literal["approach", "retract"]

KPA = 1e6
GRID = 1200


@dataclass(frozen=True)
class AdhesiveModel:
    """One adhesive contact law.

    Attributes
    ----------
    name
        Its name in `ADHESIVE_MODELS`.
    branch
        ``branch(reduced, pull_off_nN, deepest_nm, tip)`` -> depth (nm) and force (nN) from the
        pull-off to beyond the deepest point, reduced modulus in nN / nm^2.
    work
        ``work(pull_off_nN, radius_nm)`` -> work of adhesion, nN / nm = J / m^2.
    validity
        One sentence: where the law holds.
    shapes
        Contact laws of the tips it is written for.
    """

    name: str
    branch: Callable[[float, float, float, Tip], tuple[Floats, Floats]]
    work: Callable[[float, float], float]
    validity: str
    shapes: tuple[str, ...]


ADHESIVE_MODELS: dict[str, AdhesiveModel] = {}
"""Every registered adhesive law by its name."""


def register_adhesive(model: AdhesiveModel) -> AdhesiveModel:
    """Make an adhesive law available under its name.

    Raises
    ------
    ValueError
        If the name is taken.
    """
    if model.name in ADHESIVE_MODELS:
        raise ValueError(f"adhesive law {model.name!r} is registered already")
    ADHESIVE_MODELS[model.name] = model
    return model


def _dmt(reduced: float, pull_off: float, deepest: float, tip: Tip) -> tuple[Floats, Floats]:
    """DMT (form from memory): the law without adhesion, less the pull-off force."""
    depth = max(deepest, 1e-6) * np.linspace(0.0, 1.0, GRID) ** 2
    return depth, reduced * contact_force(depth, tip) - pull_off


def _jkr(reduced: float, pull_off: float, deepest: float, tip: Tip) -> tuple[Floats, Floats]:
    """JKR: F = K a^3 / R - sqrt(6 pi w K a^3), delta = a^2 / R - (2/3) sqrt(6 pi w a / K).

    K = 4 E* / 3 and F_ad = 1.5 pi w R; the branch begins where the depth is least, beyond which no
    drive holds the contact.
    """
    radius = float(tip.radius_nm or np.nan)
    k = 4.0 / 3.0 * reduced
    pull = np.sqrt(4.0 * pull_off / radius * k)  # sqrt(6 pi w K)
    least = (pull * radius / (6.0 * k)) ** (2.0 / 3.0)
    most = np.sqrt(radius * max(deepest, 1e-6)) + 3.0 * least
    a = least + (most - least) * np.linspace(0.0, 1.0, GRID) ** 2
    return (
        a * a / radius - 2.0 / 3.0 * pull / k * np.sqrt(a),
        k * a**3 / radius - pull * a**1.5,
    )


register_adhesive(
    AdhesiveModel(
        "dmt",
        _dmt,
        lambda pull_off, radius: pull_off / (2.0 * np.pi * radius),
        "Weak, far-reaching adhesion on stiff samples and small tips.",
        ("sphere", "paraboloid", "cone", "pyramid", "capped_cone"),
    )
)
register_adhesive(
    AdhesiveModel(
        "jkr",
        _jkr,
        lambda pull_off, radius: pull_off / (1.5 * np.pi * radius),
        "Strong, short-ranged adhesion on soft samples and large tips; the tip is a paraboloid.",
        ("sphere", "paraboloid"),
    )
)


def stable_part(depth: Floats, force: Floats, k: float) -> tuple[Floats, Floats]:
    """Drive beyond contact and deflection (nm) along the part of a branch that the drive holds."""
    push = force / k
    drive = depth + push
    # the last turn of the drive is where the probe lets go
    falls = np.flatnonzero(np.diff(drive) <= 0)
    first = falls[-1] + 1 if len(falls) else 0
    return drive[first:], push[first:]


def adhesive_curve(
    z_nm: ArrayLike,
    *,
    model: str,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    modulus_kPa: float,
    adhesion_nN: float,
    contact_z_nm: float,
    branch: Branch,
) -> Floats:
    """Deflection (nm) of an adhesive law at drive positions, without baseline.

    Parameters
    ----------
    z_nm
        Drive (s,), nm.
    model
        Name in `ADHESIVE_MODELS`.
    tip, spring_constant_N_per_m, poisson_ratio, modulus_kPa
        As for `fit_curves`.
    adhesion_nN
        Pull-off force.
    contact_z_nm
        Drive at which the undeformed surfaces touch.
    branch
        On the approach the probe is free before that point, on the retract it holds on as far as
        the law and the spring allow.

    Returns
    -------
    numpy.ndarray
        (s,).
    """
    z = np.asarray(z_nm, float)
    reduced = modulus_kPa / KPA / (1.0 - poisson_ratio**2)
    deepest = max(float(np.nanmax(z, initial=0.0)) - contact_z_nm, 1e-3) + adhesion_nN / (
        spring_constant_N_per_m
    )
    law = ADHESIVE_MODELS[model].branch(reduced, adhesion_nN, deepest, tip)
    drive, push = stable_part(*law, spring_constant_N_per_m)
    u = z - contact_z_nm
    free = u < (max(drive[0], 0.0) if branch == "approach" else drive[0])
    return np.where(free, 0.0, np.interp(u, drive, push))


SPACING_NM = 0.3
"""Distance of two surfaces at rest that Tabor's parameter assumes (common practice, no source)."""


def tabor_parameter(
    radius_nm: float, adhesion_nN: float, modulus_kPa: float, poisson_ratio: float
) -> float:
    """Tabor's parameter (R w^2 / (E*^2 z0^3))^(1/3), 1977, form from memory.

    Above about 5 adhesion acts as JKR assumes, below about 0.1 as DMT; w = F_ad / (1.5 pi R).

    Parameters
    ----------
    radius_nm
        Of the tip.
    adhesion_nN
        Pull-off force.
    modulus_kPa, poisson_ratio
        Of the sample.
    """
    work = adhesion_nN / (1.5 * np.pi * radius_nm)
    reduced = modulus_kPa / KPA / (1.0 - poisson_ratio**2)
    return float(np.cbrt(radius_nm * work**2 / (reduced**2 * SPACING_NM**3)))
