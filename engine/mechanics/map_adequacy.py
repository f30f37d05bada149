"""Whether the contact law is the sample's: other laws, a depth scan and residuals, on a few curves.

A free contact hides the error of a law from any one curve, and noise hides it from a short one. So
a bounded number of curves, spread over the scan, is looked at together: what all of them show alike
is the law's, what differs is noise.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .adequacy import PARAMETERS, durbin_watson
from .explain import model_curve
from .fit import fit_curves
from .models import Tip
from .refit import cut_at_depth
from .results import CurveFits
from .settings import MechanicsSettings
from .summary import finite_median
from .tables import layer_ratio

Floats = NDArray[np.float64]
Base = Literal["bonded", "sliding", "ignore"]

PROFILE = 24
"""Points of the mean residual, from before the contact to the deepest point."""
BEFORE = 0.5
"""The mean residual begins so many contact lengths before the contact."""


@dataclass(frozen=True)
class LawFit:
    """One law tried on the curves of a map.

    Attributes
    ----------
    name
        Law, and how the layer lies where it is taken into account.
    aicc_difference
        Median over the curves of AICc less that of the best law of the map.
    modulus_off
        Median of its modulus over that of the run's law, less 1.
    left_share
        Residual that it leaves beyond that of the best law, over the largest force.
    alike
        Whether neither modulus nor residual differ from the best law's by more than the settings
        allow; AICc alone rejects every law but one once samples are many.
    """

    name: str
    aicc_difference: float
    modulus_off: float
    left_share: float
    alike: bool


@dataclass(frozen=True)
class MapAdequacy:
    """How well the run's law describes the curves of a map; NaN where nothing could be told.

    Attributes
    ----------
    curves
        Curves that were looked at.
    law
        The run's law.
    laws
        All laws tried, best first.
    gap
        AICc of the run's law less that of the best.
    misfit_share
        Size of the residual that the curves have in common, less its standard error, over the
        largest force.
    durbin_watson, durbin_watson_free
        Medians over the curves in contact, and before it, where it is the noise's own: 2 = no
        memory.
    exponent_off, exponent_off_se
        Median of the free exponent over the used curves less the law's, and its standard error.
    scan_fraction, scan_ratio, scan_se
        Share of the depth that was fitted, contact refitted each time; median of the modulus over
        that of the whole curve, and its standard error.
    scan_spread
        Largest over smallest of that ratio, less 1, once three standard errors are granted.
    sound
        Whether misfit, exponent and scan stay within the settings' limits.
    flags
        ``law_doubtful`` where they do not, ``other_law`` where another law is better by more than
        the settings call alike.
    """

    curves: int
    law: str
    laws: tuple[LawFit, ...]
    gap: float
    misfit_share: float
    durbin_watson: float
    durbin_watson_free: float
    exponent_off: float
    exponent_off_se: float
    scan_fraction: Floats
    scan_ratio: Floats
    scan_se: Floats
    scan_spread: float
    sound: bool
    flags: tuple[str, ...]


def map_adequacy(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    fits: CurveFits,
    *,
    thickness_um: float | None = None,
    settings: MechanicsSettings | None = None,
    rows: NDArray[np.int64] | None = None,
) -> MapAdequacy | None:
    """Ask of a map whether the law it was fitted with is the sample's.

    Parameters
    ----------
    z_nm, deflection_nm
        The approaches, as `fit_curves` took them.
    fits
        Its fits.
    thickness_um
        Thickness of the layer, where known.
    settings
        Those of the fits; ``adequacy_curves`` says how many curves are looked at.
    rows
        Which curves were handed over, as `chosen_curves` names them; None = the whole map.

    Returns
    -------
    MapAdequacy or None
        None where no curve was used, or none shall be looked at.
    """
    s = settings if settings is not None else MechanicsSettings()
    if rows is None:
        rows = chosen_curves(fits, s)
        deflection_nm = np.asarray(deflection_nm, float)[rows]
        z_nm = z_nm if np.ndim(z_nm) == 1 else np.asarray(z_nm, float)[rows]
    if not len(rows):
        return None
    d = np.asarray(deflection_nm, float)
    z = np.broadcast_to(np.asarray(z_nm, float), d.shape)
    # a dozen curves say little of their own noise: the map's word is taken
    s = s.model_copy(update={"noise_prior_curves": 1e4, "noise_curves_max": 1})
    own = _own(fits, thickness_um, s)
    trials = {
        name: _fit(z, d, fits, tip, thickness_um, base, s, fits.depth_share)
        for name, (tip, base) in _laws(fits, thickness_um, s, own).items()
    }
    laws = _ranked(trials, own, d, s)
    sample = trials[own]
    if fits.depth_share < 1.0:  # what was not fitted is not the law's to explain
        d = cut_at_depth(z, d, sample, sample.indentation_nm)
    rest = _residuals(z, d, sample)
    profile, error = _common_residual(z, rest, sample)
    force = finite_median(sample.force_nN)
    k = fits.spring_constant_N_per_m
    misfit = np.sqrt(max(float(np.nanmean(profile**2 - error**2)), 0.0)) * k / force
    fraction, ratio, ratio_se = _scan(z, d, sample, thickness_um, s)
    off, off_se = _exponent(fits)
    memory, free = _memory(z, rest, sample)
    spread = _granted(ratio, ratio_se)
    sound = bool(
        misfit <= s.rank_misfit
        and not (abs(off) > s.exponent_tolerance and abs(off) > s.exponent_se * off_se)
        and not spread > s.rank_scan_spread
    )
    mine = next(law for law in laws if law.name == own)
    flags = [] if sound else ["law_doubtful"]
    if not mine.alike and mine.aicc_difference > s.rank_aicc_gap:
        flags.append("other_law")
    return MapAdequacy(
        curves=len(rows),
        law=own,
        laws=laws,
        gap=mine.aicc_difference,
        misfit_share=misfit,
        durbin_watson=memory,
        durbin_watson_free=free,
        exponent_off=off,
        exponent_off_se=off_se,
        scan_fraction=fraction,
        scan_ratio=ratio,
        scan_se=ratio_se,
        scan_spread=spread,
        sound=sound,
        flags=tuple(flags),
    )


def chosen_curves(fits: CurveFits, settings: MechanicsSettings | None = None) -> NDArray[np.int64]:
    """Name the curves that are asked: usable ones, spread over the scan."""
    s = settings if settings is not None else MechanicsSettings()
    most = s.adequacy_curves
    used = np.flatnonzero(fits.used & np.isfinite(fits.modulus_kPa))
    if not most or not len(used):
        return np.empty(0, np.int64)
    return used[np.unique(np.linspace(0, len(used) - 1, most).round().astype(np.int64))]


def _name(tip: Tip, base: Base) -> str:
    words = tip.law.name.replace("_", " ")
    return words if base == "ignore" else f"{words}, {base} layer"


def _own(fits: CurveFits, thickness_um: float | None, s: MechanicsSettings) -> str:
    layered = fits.layer is not None and _matters(fits, fits.tip, thickness_um, s)
    return _name(fits.tip, s.layer_base if layered else "ignore")


def _matters(fits: CurveFits, tip: Tip, thickness_um: float | None, s: MechanicsSettings) -> bool:
    if thickness_um is None or fits.layer is None:
        return False
    depth = np.array([finite_median(fits.indentation_nm[fits.used])])
    return bool(layer_ratio(depth, tip, 1e3 * thickness_um)[0] > s.layer_corrected_ratio)


def _laws(
    fits: CurveFits, thickness_um: float | None, s: MechanicsSettings, own: str
) -> dict[str, tuple[Tip, Base]]:
    """Every law whose sizes are known, and the layer's other bases where it matters."""
    tip, angle = fits.tip, fits.tip.half_angle_deg
    tips = [tip]
    if tip.radius_nm is not None:
        tips.append(Tip("paraboloid", tip.radius_nm, angle))
        # the exact sphere ends at its own radius
        if finite_median(fits.indentation_nm[fits.used]) < tip.radius_nm:
            tips.append(Tip("sphere", tip.radius_nm, angle))
    if angle is not None:
        # cone and pyramid have one shape of curve: no curve can tell one from the other
        tips += [Tip("pyramid" if tip.law.name == "pyramid" else "cone", None, angle)]
        tips += [Tip("capped_cone", tip.radius_nm, angle)] if tip.radius_nm is not None else []
    thick: list[Base] = ["ignore"]
    if _matters(fits, tip, thickness_um, s):
        thick += ["bonded", "sliding"]
    own_base: Base = s.layer_base if len(thick) > 1 else "ignore"
    laws: dict[str, tuple[Tip, Base]] = {own: (tip, own_base)}
    for other in tips:
        for base in thick if other.law.name == tip.law.name else thick[:1]:
            laws.setdefault(_name(other, base), (other, base))
    return laws


def _fit(
    z: Floats,
    d: Floats,
    fits: CurveFits,
    tip: Tip,
    thickness_um: float | None,
    base: Base,
    s: MechanicsSettings,
    depth_share: float,
) -> CurveFits:
    setting = s.model_copy(update={"layer_base": base, "free_exponent": False})
    found = fit_curves(
        z,
        d,
        tip=tip,
        spring_constant_N_per_m=fits.spring_constant_N_per_m,
        poisson_ratio=fits.poisson_ratio,
        thickness_um=thickness_um,
        settings=setting,
        pooled_noise=fits.noise if fits.noise.curves else None,
        depth_share=depth_share,
    )
    # the rows were fit to be used with the run's law
    return replace(found, used=np.isfinite(found.modulus_kPa))


def _ranked(
    trials: dict[str, CurveFits], own: str, d: Floats, s: MechanicsSettings
) -> tuple[LawFit, ...]:
    samples = np.isfinite(d).sum(axis=1)
    values = {name: _aicc(fit, samples) for name, fit in trials.items()}
    order = sorted(values, key=lambda name: float(np.nansum(values[name])))
    best, mine = trials[order[0]], trials[own]
    force = finite_median(mine.force_nN)
    rows = []
    for name in order:
        fit = trials[name]
        left = finite_median(fit.rmse_nN**2 - best.rmse_nN**2)
        share = float(np.sqrt(max(left, 0.0)) / force)
        from_best = finite_median(fit.modulus_kPa / best.modulus_kPa) - 1.0
        rows.append(
            LawFit(
                name=name,
                aicc_difference=finite_median(values[name] - values[order[0]]),
                modulus_off=finite_median(fit.modulus_kPa / mine.modulus_kPa) - 1.0,
                left_share=share,
                alike=bool(abs(from_best) <= s.rank_modulus_off and share <= s.rank_misfit),
            )
        )
    return tuple(rows)


def _aicc(fit: CurveFits, samples: NDArray[np.int64]) -> Floats:
    """Akaike's criterion with small-sample correction of every curve, up to a constant (n,)."""
    n, p = np.maximum(samples, PARAMETERS + 2).astype(float), PARAMETERS
    mean = (fit.rmse_nN / fit.spring_constant_N_per_m) ** 2 * (n - 4) / n
    return np.asarray(n * np.log(mean) + 2 * p + 2 * p * (p + 1) / (n - p - 1))


def _residuals(z: Floats, d: Floats, fits: CurveFits) -> Floats:
    return np.array([d[i] - model_curve(z[i], fits, i) for i in range(len(d))])


def _common_residual(z: Floats, rest: Floats, fits: CurveFits) -> tuple[Floats, Floats]:
    """Mean residual of the curves against drive over contact length, and its standard error, nm."""
    reach = np.nanmax(np.where(np.isfinite(rest), z, -np.inf), axis=1) - fits.contact_z_nm
    place = (z - fits.contact_z_nm[:, None]) / reach[:, None]
    edges = np.linspace(-BEFORE, 1.0, PROFILE + 1)
    means = np.full((len(rest), PROFILE), np.nan)
    for i in range(len(rest)):
        known = np.isfinite(rest[i])
        counts, _ = np.histogram(place[i][known], edges)
        total, _ = np.histogram(place[i][known], edges, weights=rest[i][known])
        means[i] = np.where(counts > 0, total / np.maximum(counts, 1), np.nan)
    n = np.maximum(np.isfinite(means).sum(axis=0), 1)
    known = np.nan_to_num(means)
    mean = known.sum(axis=0) / n
    spread = np.where(np.isfinite(means), means - mean, 0.0)
    # one curve cannot say what it has in common with others: all of it may be noise
    error = np.where(
        n > 1, np.sqrt(np.sum(spread**2, axis=0) / (np.maximum(n - 1, 1) * n)), np.abs(mean)
    )
    return mean, error


def _scan(
    z: Floats, d: Floats, fits: CurveFits, thickness_um: float | None, s: MechanicsSettings
) -> tuple[Floats, Floats, Floats]:
    """Shares of the depth, and what the modulus does with them: median ratio, standard error."""
    fractions = np.array(s.depth_fractions)
    base: Base = "ignore" if fits.layer is None else s.layer_base
    cut = np.concatenate([cut_at_depth(z, d, fits, f * fits.indentation_nm) for f in fractions])
    found = _fit(np.tile(z, (len(fractions), 1)), cut, fits, fits.tip, thickness_um, base, s, 1.0)
    ratio = found.modulus_kPa.reshape(len(fractions), -1) / fits.modulus_kPa
    middle = np.array([finite_median(row) for row in ratio])
    error = np.array([_median_error(row) for row in ratio])
    return fractions, middle, error


def _median_error(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    if len(finite) < 3:
        return float("nan")
    spread = 1.4826 * float(np.median(np.abs(finite - np.median(finite))))
    return 1.2533 * spread / float(np.sqrt(len(finite)))


def _granted(ratio: Floats, error: Floats) -> float:
    """Spread of the scan that three standard errors of its ends do not explain."""
    known = np.isfinite(ratio) & np.isfinite(error)
    if known.sum() < 2:
        return float("nan")
    r, e = ratio[known], 3.0 * error[known]
    high, low = int(np.argmax(r)), int(np.argmin(r))
    clear = max(r[high] - np.hypot(e[high], e[low]), r[low])
    return float(clear / r[low] - 1.0)


def _exponent(fits: CurveFits) -> tuple[float, float]:
    off = fits.exponent[fits.used] - fits.tip.law.exponent
    return finite_median(off), _median_error(off)


def _memory(z: Floats, rest: Floats, fits: CurveFits) -> tuple[float, float]:
    """Durbin-Watson of the residual in contact, and before it; medians over the curves."""
    inside = z > fits.contact_z_nm[:, None]
    pairs = [(durbin_watson(r[i]), durbin_watson(r[~i])) for r, i in zip(rest, inside, strict=True)]
    both = np.array(pairs)
    return finite_median(both[:, 0]), finite_median(both[:, 1])
