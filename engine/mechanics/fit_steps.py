"""The steps of a map's fit around the compiled kernel: checks before, noise and errors after."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.flags import mask_of

from ._batch import BANDS, COLUMN, MIN_SAMPLES
from ._inspect import SHORT_WINDOW, WINDOW
from .adhesive import ADHESIVE_MODELS
from .adhesive_fit import two_point_jkr
from .flags import FLAGS
from .models import Tip
from .noise import NO_NOISE, Noise, band_densities, estimate_noise, step_variance
from .prepare import Curves, prepare_curves, run_fit
from .quality import Judged
from .settings import MechanicsSettings
from .tables import LawTable

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

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


def check_constants(k: float, nu: float, thickness_um: float | None) -> None:
    """Refuse constants that cannot be.

    Raises
    ------
    ValueError
        Naming the one and its value.
    """
    if not (np.isfinite(k) and k > 0):
        raise ValueError(f"spring_constant_N_per_m must be > 0 and finite, got {k}")
    if not 0 <= nu <= 0.5:
        raise ValueError(f"poisson_ratio must lie in [0, 0.5], got {nu}")
    if thickness_um is not None and not (np.isfinite(thickness_um) and thickness_um > 0):
        raise ValueError(f"thickness_um must be > 0 and finite, got {thickness_um}")


def curve_mask(valid: ArrayLike | None, n: int) -> Bools:
    """Take which of n curves were taken; all by default.

    Raises
    ------
    ValueError
        If it has another shape.
    """
    if valid is None:
        return np.ones(n, bool)
    mask = np.asarray(valid, bool)
    if mask.shape != (n,):
        raise ValueError(f"valid must be ({n},), got {mask.shape}")
    return mask


def way_back(z: ArrayLike | None, d: ArrayLike | None, n: int) -> Curves | None:
    """Prepare the retract of n curves; None without one.

    Raises
    ------
    ValueError
        If only half of it is given or shapes do not agree.
    """
    if z is None or d is None:
        if z is not None or d is not None:
            raise ValueError("retract_z_nm and retract_deflection_nm must be given together")
        return None
    back = prepare_curves(z, d, "retract")
    if len(back.d) != n:
        raise ValueError(f"retract must have {n} curves like the approach, got {len(back.d)}")
    return back


def before_the_fit(ahead: Curves, valid: Bools, s: MechanicsSettings) -> tuple[Judged, Curves]:
    """Say what can be said of a curve without a fit, and the curves that are fit to be fitted."""
    n = len(ahead.d)
    taken = valid & (ahead.counts > 0)
    first, last = ahead.ends()
    span = np.abs(last - first)
    dz, dd = ahead.final_rise()
    with np.errstate(invalid="ignore"):
        rigid = (dz > 0) & (dd > s.rigid_slope * dz) & (dd > 1e-3 * span)
    enough = ahead.counts >= MIN_SAMPLES
    rise = ahead.rise()
    tiny = (rise > 0) & (rise < s.deflection_range_min_nm)
    slip = enough & ((span < s.drive_range_min_nm) | (span > s.drive_range_max_nm) | rigid | tiny)
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


def after_the_fit(
    judged: Judged, x: dict[str, Floats], errors: dict[str, Floats], table: LawTable
) -> Judged:
    """Fill in what the fit found, in nm."""
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


def impossible(judged: Judged, modulus_kPa: Floats, s: MechanicsSettings) -> Bools:
    """Tell curves with a clear push whose modulus no material has."""
    with np.errstate(invalid="ignore"):
        out = (modulus_kPa < s.modulus_min_kPa) | (modulus_kPa > s.modulus_max_kPa)
        return np.asarray(out & (judged.force >= s.no_contact_sigma * judged.sigma))


def pulled(judged: Judged, todo: Curves, table: LawTable, s: MechanicsSettings) -> Bools:
    """Tell curves without a push that show a clear one once the deflection's sign is turned."""
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


def of_the_way_back(
    found: Floats, flags: NDArray[np.uint32], clear_nm: Floats, tip: Tip, k: float, nu: float
) -> dict[str, Floats]:
    """Turn what was read off the ways back into fields of `CurveFits`.

    Pull-off distance and two-point JKR need a pull that stands out of the noise of single samples,
    or chance decides where it is: they are given where ``adhesion`` is flagged and the pull-off is
    above ``clear_nm``, JKR for a sphere or a paraboloid alone.
    """
    with np.errstate(invalid="ignore"):
        clear = (flags & np.uint32(mask_of(FLAGS, ["adhesion"]))) != 0
        clear &= found[:, 0] > clear_nm
    apart = np.where(clear, found[:, 6], np.nan)
    jkr = np.full(len(found), np.nan)
    if tip.radius_nm is not None and tip.law.name in ADHESIVE_MODELS["jkr"].shapes:
        jkr = two_point_jkr(apart, 0.0, found[:, 0] * k, tip.radius_nm, nu)
    return {
        "adhesion_nN": found[:, 0] * k,
        "dissipation": found[:, 1],
        "loading_work_aJ": found[:, 3] * k,
        "lost_work_aJ": found[:, 4] * k,
        "adhesion_work_aJ": found[:, 5] * k,
        "pull_off_nm": apart,
        "jkr_modulus_kPa": jkr,
    }


def map_noise(todo: Curves, x: dict[str, Floats], s: MechanicsSettings) -> Noise:
    """Estimate the noise of the map from stretches of equal length before contact."""
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


def standard_errors(
    x: dict[str, Floats], counts: NDArray[np.int64], table: LawTable, shape: Noise
) -> dict[str, Floats]:
    """Take standard errors of ln E, contact (nm) and exponent: w h'h + hb' Cb hb, Cb by bands."""
    coloured = band_densities(shape, counts)
    steps = {width: step_variance(width) @ shape.parts() for width in (SHORT_WINDOW, WINDOW)}
    step = np.where(counts >= 4 * WINDOW, steps[WINDOW], steps[SHORT_WINDOW])
    with np.errstate(invalid="ignore"):
        # the trimmed sigma: a step must not hide in the noise that it makes
        found = {"step": x["sigma"] * np.sqrt(step) * table.scale_nm}
        for name, unit in (("log", 1.0), ("contact", table.scale_nm), ("extra", 1.0)):
            bands = np.stack([x[f"k_{name}_{j}"] for j in range(BANDS)], axis=1)
            variance = shape.white_nm2 * x[f"c_{name}"] + np.sum(coloured * bands, axis=1)
            found[name] = np.sqrt(x["difference"] * variance) * unit
    return found
