"""Fit the contact law to a map's curves: maximum likelihood of d(z), errors, flags."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from engine.errors import Cancelled
from engine.flags import mask_of

from ._batch import COLUMN, MIN_SAMPLES
from ._chunks import check_rows, in_threads, put_rows, rows_of
from ._retract import RETRACT_COLUMNS, window_of
from .depth_share import check_share, cut_to_share
from .fit_steps import (
    after_the_fit,
    before_the_fit,
    check_constants,
    curve_mask,
    impossible,
    map_noise,
    of_the_way_back,
    pulled,
    standard_errors,
    way_back,
)
from .flags import FLAGS
from .models import Tip
from .noise import Noise, noise_shape, pool_noise
from .prepare import prepare_curves, run_fit, run_retract
from .quality import EXCLUDING, NO_MODULUS, judge, usual_sigma
from .results import CurveFits
from .settings import MechanicsSettings
from .tables import layer_under, tabulate
from .verdict import mark_outliers

Floats = NDArray[np.float64]

KPA = 1e6
"""kPa in one nN / nm^2."""
CHUNK_CURVES = 16_384
SAMPLE_RUNS, SAMPLE_CURVES = 32, 16
"""Noise of a map that is fitted in chunks is taken from so many runs of so many curves."""


class FitCancelled(Cancelled):
    """The fit was stopped from outside; nothing of it is kept."""


@dataclass(frozen=True)
class Common:
    """What the chunks of one map share.

    Attributes
    ----------
    noise
        Noise of the map.
    sigma_nm
        Median noise of its curves.
    """

    noise: Noise
    sigma_nm: float


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
    depth_share: float = 1.0,
    threads: int = 1,
    chunk_curves: int = CHUNK_CURVES,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
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
    depth_share
        Share of each curve's own largest depth (of a fit of the whole curve) that is fitted.
    threads
        Worker threads; the result does not depend on it.
    chunk_curves
        Larger maps are read and fitted in chunks of so many curves, in bounded memory; the inputs
        may then be anything with a shape whose rows come by slices (a file's array), and the noise
        is taken from 512 curves spread over the map.
    progress
        ``progress(done, total)`` after every chunk.
    cancelled
        Asked before every chunk; true ends the fit.

    Returns
    -------
    CurveFits

    Raises
    ------
    ValueError
        If shapes do not agree or a constant is out of range.
    FitCancelled
        If ``cancelled`` said so.
    """
    s = settings if settings is not None else MechanicsSettings()
    check_constants(spring_constant_N_per_m, poisson_ratio, thickness_um)
    check_share(depth_share)
    if chunk_curves < 1:
        raise ValueError(f"chunk_curves must be >= 1, got {chunk_curves}")
    shape, tell = np.shape(deflection_nm), progress or _say_nothing
    inputs = (z_nm, deflection_nm, retract_z_nm, retract_deflection_nm, valid)

    def fit(rows: slice | None, common: Common | None, workers: int = threads) -> CurveFits:
        z, d, back_z, back_d, taken = inputs if rows is None else rows_of(inputs, rows)
        return _fit_chunk(
            z,
            d,
            tip=tip,
            spring_constant_N_per_m=float(spring_constant_N_per_m),
            poisson_ratio=float(poisson_ratio),
            retract_z_nm=back_z,
            retract_deflection_nm=back_d,
            valid=taken,
            thickness_um=thickness_um,
            s=s,
            pooled_noise=pooled_noise,
            depth_share=float(depth_share),
            threads=workers,
            common=common,
        )

    count = shape[0] if len(shape) == 2 else 0
    if count <= chunk_curves:
        _ask(cancelled)
        whole = fit(None, None)
        tell(count, count)
        return mark_outliers(whole, s)
    check_rows(inputs, count)
    _ask(cancelled)
    common = _common(fit, count)
    parts: CurveFits | None = None
    chunks = [slice(i, min(i + chunk_curves, count)) for i in range(0, count, chunk_curves)]
    # whole chunks side by side: reading and judging are then shared out as well
    for rows, part in in_threads(
        lambda rows: fit(rows, common, 1), chunks, threads, lambda: _ask(cancelled)
    ):
        parts = put_rows(parts, part, rows, count)
        tell(rows.stop, count)
    return mark_outliers(cast(CurveFits, parts), s)


def _ask(cancelled: Callable[[], bool] | None) -> None:
    if cancelled is not None and cancelled():
        raise FitCancelled("the fit of the force curves was cancelled")


def _say_nothing(done: int, total: int) -> None:
    """Stand in for a report of progress that nobody wants."""
    del done, total


def _common(fit: Callable[[slice | None, Common | None], CurveFits], count: int) -> Common:
    """Fit runs of curves spread over the map and pool their noise."""
    starts = np.unique(np.linspace(0, count - SAMPLE_CURVES, SAMPLE_RUNS).astype(int))
    runs = [fit(slice(int(i), int(i) + SAMPLE_CURVES), None) for i in starts]
    sigma = usual_sigma(np.concatenate([run.noise_nm for run in runs]))
    return Common(pool_noise([run.noise for run in runs]), sigma)


def _fit_chunk(
    z_nm: ArrayLike,
    deflection_nm: ArrayLike,
    *,
    tip: Tip,
    spring_constant_N_per_m: float,
    poisson_ratio: float,
    retract_z_nm: ArrayLike | None,
    retract_deflection_nm: ArrayLike | None,
    valid: ArrayLike | None,
    thickness_um: float | None,
    s: MechanicsSettings,
    pooled_noise: Noise | None,
    depth_share: float,
    threads: int,
    common: Common | None,
) -> CurveFits:
    ahead = prepare_curves(z_nm, deflection_nm, "approach")
    back = way_back(retract_z_nm, retract_deflection_nm, len(ahead.d))
    layer_nm = None if thickness_um is None else 1e3 * float(thickness_um)
    layer = layer_under(tip, thickness_um, poisson_ratio, s.layer_base)
    judged, todo = before_the_fit(ahead, curve_mask(valid, len(ahead.d)), s)
    first, last = todo.ends()
    span = np.where(todo.counts > 0, last - first, 0.0)
    table = tabulate(tip, max(1.25 * float(span.max(initial=0.0)), 1.0), layer)
    entire, entire_force = todo, None
    if depth_share < 1.0:
        todo, entire_force = cut_to_share(todo, table, depth_share, s, threads)
        kept = np.where(todo.counts > 0, todo.counts, judged.samples)
        judged = replace(judged, samples=kept)
    raw = run_fit(todo, table, s, threads)
    numbers = {name: raw[:, i] for name, i in COLUMN.items()}
    noise = common.noise if common else map_noise(todo, numbers, s)
    shape = noise_shape(noise, pooled_noise, s.noise_prior_curves)
    errors = standard_errors(numbers, todo.counts, table, shape)
    judged = after_the_fit(judged, numbers, errors, table)
    judged = replace(judged, reversed_=judged.reversed_ | pulled(judged, todo, table, s))
    found = np.full((len(raw), RETRACT_COLUMNS), np.nan)
    if back is not None:
        # adhesion and lost work are the whole curve's, however little of it is fitted
        whole = numbers if entire_force is None else numbers | {"force": entire_force}
        found = run_retract(entire, back, whole, table.scale_nm, threads)
        quiet = judged.sigma / np.sqrt(np.maximum(window_of(back.counts) / 2.0, 1.0))
        lost = (back.counts >= MIN_SAMPLES) & (found[:, 2] == 0.0)
        judged = replace(judged, adhesion=found[:, 0], adhesion_sigma=quiet, retract_lost=lost)
    k, nu = float(spring_constant_N_per_m), float(poisson_ratio)
    modulus = np.exp(numbers["log_alpha"]) * k / table.scale_nm * (1.0 - nu * nu) * KPA
    judged = replace(judged, implausible=judged.implausible | impossible(judged, modulus, s))
    usual = common.sigma_nm if common else usual_sigma(judged.sigma)
    flags = judge(judged, tip, layer_nm, layer, s, MIN_SAMPLES, usual)
    withheld = (flags & np.uint32(mask_of(FLAGS, NO_MODULUS))) != 0

    def shown(values: Floats) -> Floats:
        return np.where(withheld, np.nan, values)

    modulus = shown(modulus)
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
        **{
            name: shown(values)
            for name, values in of_the_way_back(
                found, flags, s.jkr_sigma * judged.sigma, tip, k, nu
            ).items()
        },
        noise_nm=judged.sigma,
        baseline_share=numbers["before"] / np.maximum(todo.counts, 1),
        flags=flags,
        used=(flags & np.uint32(EXCLUDING)) == 0,
        noise=noise,
        tip=tip,
        layer=layer,
        spring_constant_N_per_m=k,
        poisson_ratio=nu,
        depth_share=depth_share,
    )
