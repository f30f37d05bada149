"""Fit the contact law to a map's curves: maximum likelihood of d(z), errors, flags."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.flags import mask_of

from ._batch import BANDS, COLUMN, MIN_SAMPLES
from ._inspect import SHORT_WINDOW, WINDOW
from ._retract import window_of
from .flags import FLAGS
from .layer import Layer
from .models import Tip
from .noise import NO_NOISE, Noise, band_densities, estimate_noise, noise_shape, step_variance
from .prepare import Curves, prepare_curves, run_fit, run_retract
from .quality import EXCLUDING, NO_MODULUS, Judged, judge
from .results import CurveFits
from .settings import MechanicsSettings
from .tables import LawTable, layered, tabulate

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

KPA = 1e6
"""kPa in one nN / nm^2."""
NUMBERS = [
    "sigma",
    "force",
    "depth",
    "contact_se",
    "stiffness",
    "slope",
    "sag",
    "dip",
    "step",
    "step_se",
    "step_local",
    "step_place",
    "largest",
    "before",
    "mended",
    "run_high",
    "run_low",
    "excess",
    "excess_se",
    "adhesion",
    "adhesion_sigma",
    "pull",
]
"""Fields of `Judged` that only a fit can fill."""
MARGIN_SAMPLES = 0.06
"""Share of a curve's samples left out before contact when its noise is looked at."""


def fit_curves(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    retract_z_nm: ArrayLike | None = None,
    retract_deflection_nm: ArrayLike | None = None,
    valid: ArrayLike | None = None,
    thickness_um: float | None = None,
    settings: MechanicsSettings | None = None,
    pooled_noise: Noise | None = None,
    threads: int = 1,
) -> CurveFits:
    """Fit every curve of a map (or of a force-volume image).

    Assumes an elastic, uniform half-space (or layer), a contact law without adhesion, a straight
    baseline, and noise that is white plus 1/f, of one kind throughout the map.

    Parameters
    ----------
    z_nm
        Drive position of the approach, (n, s), or (s,) shared by all, nm; grows towards the sample.
    deflection_nm
        Deflection, (n, s), nm, positive away from the sample. A NaN tail is a shorter curve; a row
        of NaN a curve that was not taken.
    tip
        The tip.
    spring_constant_N_per_m
        Spring constant k.
    poisson_ratio
        Of the sample, 0 to 0.5.
    retract_z_nm, retract_deflection_nm
        The way back, in the order taken, with any number of samples.
    valid
        (n,), False = no curve was taken.
    thickness_um
        Thickness of the indented layer, where known.
    settings
        Thresholds and choices; the defaults if None.
    pooled_noise
        Noise of the probe's maps together, towards which a small map's is drawn.
    threads
        Worker threads; the result does not depend on it.

    Returns
    -------
    CurveFits

    Raises
    ------
    ValueError
        If shapes do not agree or a constant is out of range.
    """
    s = settings if settings is not None else MechanicsSettings()
    _check_constants(spring_constant_N_per_m, poisson_ratio, thickness_um)
    ahead = prepare_curves(z_nm, deflection_nm, "approach")
    back = _retract(retract_z_nm, retract_deflection_nm, len(ahead.d))
    layer_nm = None if thickness_um is None else 1e3 * float(thickness_um)
    layer = None
    if layer_nm is not None and s.layer_base != "ignore" and layered(tip):
        layer = Layer(layer_nm, float(poisson_ratio), s.layer_base)
    judged, todo = _before_the_fit(ahead, _mask(valid, len(ahead.d)), s)
    first, last = todo.ends()
    span = np.where(todo.counts > 0, last - first, 0.0)
    table = tabulate(tip, max(1.25 * float(span.max(initial=0.0)), 1.0), layer)
    raw = run_fit(todo, table, s, threads)
    numbers = {name: raw[:, i] for name, i in COLUMN.items()}
    noise = _map_noise(todo, numbers, s)
    shape = noise_shape(noise, pooled_noise, s.noise_prior_curves)
    errors = _errors(numbers, todo.counts, table, shape)
    judged = _after_the_fit(judged, numbers, errors, table)
    judged = replace(judged, reversed_=judged.reversed_ | _pulled(judged, todo, table, s))
    pull, loss = np.full(len(raw), np.nan), np.full(len(raw), np.nan)
    if back is not None:
        way_back = run_retract(todo, back, numbers, table.scale_nm, threads)
        pull, loss = way_back[:, 0], way_back[:, 1]
        quiet = judged.sigma / np.sqrt(np.maximum(window_of(back.counts) / 2.0, 1.0))
        lost = (back.counts >= MIN_SAMPLES) & (way_back[:, 2] == 0.0)
        judged = replace(judged, adhesion=pull, adhesion_sigma=quiet, retract_lost=lost)
    flags = judge(judged, tip, layer_nm, layer, s, MIN_SAMPLES)
    k, nu = float(spring_constant_N_per_m), float(poisson_ratio)
    withheld = (flags & np.uint32(mask_of(FLAGS, NO_MODULUS))) != 0

    def shown(values: Floats) -> Floats:
        return np.where(withheld, np.nan, values)

    modulus = shown(np.exp(numbers["log_alpha"]) * k / table.scale_nm * (1.0 - nu * nu) * KPA)
    with np.errstate(invalid="ignore"):
        rmse = np.sqrt(numbers["rss"] / np.maximum(todo.counts - 4, 1)) * table.scale_nm * k
    return CurveFits(
        modulus_kPa=modulus,
        modulus_se_kPa=modulus * errors["log"],
        log_modulus_se=shown(errors["log"]),
        contact_z_nm=shown(numbers["contact"]),
        contact_se_nm=shown(errors["contact"]),
        baseline_offset_nm=numbers["offset"],
        baseline_slope=numbers["slope"],
        indentation_nm=shown(judged.depth),
        force_nN=shown(judged.force * k),
        rmse_nN=rmse,
        exponent=shown(table.exponent + numbers["extra"]),
        exponent_se=shown(errors["extra"]),
        stiffness_ratio=shown(numbers["stiffness"]),
        adhesion_nN=shown(pull * k),
        dissipation=shown(loss),
        noise_nm=judged.sigma,
        baseline_share=numbers["before"] / np.maximum(todo.counts, 1),
        flags=flags,
        used=(flags & np.uint32(EXCLUDING)) == 0,
        noise=noise,
        tip=tip,
        layer=layer,
        spring_constant_N_per_m=k,
        poisson_ratio=nu,
    )


def _check_constants(k: float, nu: float, thickness_um: float | None) -> None:
    if not (np.isfinite(k) and k > 0):
        raise ValueError(f"spring_constant_N_per_m must be > 0 and finite, got {k}")
    if not 0 <= nu <= 0.5:
        raise ValueError(f"poisson_ratio must lie in [0, 0.5], got {nu}")
    if thickness_um is not None and not (np.isfinite(thickness_um) and thickness_um > 0):
        raise ValueError(f"thickness_um must be > 0 and finite, got {thickness_um}")


def _mask(valid: ArrayLike | None, n: int) -> Bools:
    if valid is None:
        return np.ones(n, bool)
    mask = np.asarray(valid, bool)
    if mask.shape != (n,):
        raise ValueError(f"valid must be ({n},), got {mask.shape}")
    return mask


def _retract(z: ArrayLike | None, d: ArrayLike | None, n: int) -> Curves | None:
    if z is None or d is None:
        if z is not None or d is not None:
            raise ValueError("retract_z_nm and retract_deflection_nm must be given together")
        return None
    back = prepare_curves(z, d, "retract")
    if len(back.d) != n:
        raise ValueError(f"retract must have {n} curves like the approach, got {len(back.d)}")
    return back


def _before_the_fit(ahead: Curves, valid: Bools, s: MechanicsSettings) -> tuple[Judged, Curves]:
    """Say what can be said of a curve without a fit, and the curves that are fit to be fitted."""
    n = len(ahead.d)
    taken = valid & (ahead.counts > 0)
    first, last = ahead.ends()
    span = np.abs(last - first)
    dz, dd = ahead.final_rise()
    with np.errstate(invalid="ignore"):
        rigid = (dz > 0) & (dd > s.rigid_slope * dz) & (dd > 1e-3 * span)
    enough = ahead.counts >= MIN_SAMPLES
    slip = enough & ((span < s.drive_range_min_nm) | (span > s.drive_range_max_nm) | rigid)
    backwards = enough & (last < first)
    good = taken & ~ahead.gap & ~slip & ~backwards
    nan = np.full(n, np.nan)
    nothing = np.zeros(n, bool)
    judged = Judged(
        taken=taken,
        reversed_=backwards,
        gap=ahead.gap,
        samples=ahead.counts,
        implausible=slip,
        constant=nothing,
        converged=nothing,
        retract_lost=nothing,
        **dict.fromkeys(NUMBERS, nan),
    )
    return judged, replace(ahead, counts=np.where(good, ahead.counts, 0))


def _after_the_fit(
    judged: Judged, x: dict[str, Floats], errors: dict[str, Floats], table: LawTable
) -> Judged:
    scale = table.scale_nm
    return replace(
        judged,
        constant=x["rise"] == 0.0,
        converged=x["converged"] == 1.0,
        sigma=x["sigma"] * scale,
        force=x["force"] * scale,
        depth=x["depth"] * scale,
        contact_se=errors["contact"],
        stiffness=x["stiffness"],
        slope=x["slope"],
        sag=x["sag"] * scale,
        dip=x["dip"] * scale,
        step=x["step"] * scale,
        step_se=errors["step"],
        step_local=x["local"] * scale,
        step_place=x["place"],
        largest=x["largest"] * scale,
        before=x["before"],
        mended=x["mended"],
        run_high=x["run_high"],
        run_low=x["run_low"],
        excess=x["extra"],
        excess_se=errors["extra"],
        pull=x["pull"],
    )


def _pulled(judged: Judged, todo: Curves, table: LawTable, s: MechanicsSettings) -> Bools:
    """Curves without a push that show a clear one once the deflection's sign is turned."""
    with np.errstate(invalid="ignore"):
        rows = (judged.pull > 0.3) & ~(judged.force >= s.no_contact_sigma * judged.sigma)
    turned = np.zeros(len(rows), bool)
    index = np.flatnonzero(rows)
    if len(index):
        z = todo.z if todo.z.shape[0] == 1 else todo.z[index]
        mirrored = Curves(z, -todo.d[index], todo.counts[index], todo.gap[index])
        x = run_fit(mirrored, table, s, 1)
        with np.errstate(invalid="ignore"):
            turned[index] = x[:, COLUMN["force"]] > s.weak_sigma * x[:, COLUMN["sigma"]]
    return turned


def _map_noise(todo: Curves, x: dict[str, Floats], s: MechanicsSettings) -> Noise:
    """Noise of the map from stretches of equal length before contact."""
    room = np.nan_to_num(x["before"]) - MARGIN_SAMPLES * todo.counts
    room = np.where(x["converged"] == 1.0, room, 0.0)
    seen = room[room >= 32]
    if not len(seen):
        return NO_NOISE
    length = int(np.quantile(seen, 0.2))
    rows = np.flatnonzero(room >= length)
    rows = rows[np.unique(np.linspace(0, len(rows) - 1, s.noise_curves_max).astype(int))]
    ends = room[rows].astype(int)[:, None]
    index = ends - length + np.arange(length)
    z = todo.z[0][index] if len(todo.z) == 1 else todo.z[rows[:, None], index]
    line = x["offset"][rows, None] + x["slope"][rows, None] * z
    stretches = todo.d[rows[:, None], index] - line
    # one bad curve must not speak for the map
    power = np.var(np.diff(stretches, axis=1), axis=1)
    return estimate_noise(stretches[power <= 4.0 * np.median(power)])


def _errors(
    x: dict[str, Floats], counts: NDArray[np.int64], table: LawTable, shape: Noise
) -> dict[str, Floats]:
    """Take standard errors of ln E, contact (nm) and exponent: w h'h + hb' Cb hb, Cb by bands."""
    coloured = band_densities(shape, counts)
    steps = {width: step_variance(width) @ shape.parts() for width in (SHORT_WINDOW, WINDOW)}
    step = np.where(counts >= 4 * WINDOW, steps[WINDOW], steps[SHORT_WINDOW])
    with np.errstate(invalid="ignore"):
        # the trimmed sigma: a step must not hide in the noise that it makes
        errors = {"step": x["sigma"] * np.sqrt(step) * table.scale_nm}
        for name, unit in (("log", 1.0), ("contact", table.scale_nm), ("extra", 1.0)):
            bands = np.stack([x[f"k_{name}_{j}"] for j in range(BANDS)], axis=1)
            variance = shape.white_nm2 * x[f"c_{name}"] + np.sum(coloured * bands, axis=1)
            errors[name] = np.sqrt(x["difference"] * variance) * unit
    return errors
