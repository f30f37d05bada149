"""Stretches of the way back: a chain pulled between probe and sample, as an aid to comparison."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

Floats = NDArray[np.float64]
Chain = Literal["worm_like", "freely_jointed"]

BOLTZMANN = 1.380649e-5
"""Boltzmann's constant, nN nm / K."""
TEMPERATURE_K = 298.15
"""Absolute temperature where none is given."""
CORRECTION = (-0.5164228, -2.737418, 16.07497, -38.87607, 39.49944, -14.17718)
"""Terms a_2 to a_7 of Bouchiat et al. 1999 (Biophys J 76:409)."""
CAUTION = (
    "A chain's law that fits a stretch does not prove a chain: several pulled at once, a soft "
    "sample or a tip that slips look alike. Compare stretches taken alike; do not read contour or "
    "persistence length as those of a molecule."
)
"""The sentence that stands beside every stretch."""
LEAST_SAMPLES = 8
FALL_SAMPLES = 3
"""A rupture is a fall of the pull within so many samples."""
FULLEST = 0.995
"""Largest share of the contour length that a fit may reach."""


@dataclass(frozen=True)
class Stretch:
    """One stretch of the way back and a chain's law fitted to it.

    Attributes
    ----------
    model
        The law.
    first, last
        Samples of the way back, in the order taken: ``first <= i < last``.
    rupture_nN
        Pull at its end, and
    rupture_extension_nm
        distance from the contact there.
    contour_nm, contour_low_nm, contour_high_nm
        Contour length and its 95 % interval.
    persistence_nm, persistence_low_nm, persistence_high_nm
        Persistence length (worm-like) or Kuhn length (freely jointed), and its 95 % interval.
    rmse_nN
        Root mean square residual.
    caution
        What must stand beside the numbers.
    """

    model: Chain
    first: int
    last: int
    rupture_nN: float
    rupture_extension_nm: float
    contour_nm: float
    contour_low_nm: float
    contour_high_nm: float
    persistence_nm: float
    persistence_low_nm: float
    persistence_high_nm: float
    rmse_nN: float
    caution: str = CAUTION


def worm_like_force(share: ArrayLike) -> Floats:
    """Force of a worm-like chain, in kT / persistence length.

    Marko and Siggia 1995 (Macromolecules 28:8759) with the seven-term correction of Bouchiat et al.
    1999 (Biophys J 76:409); within 0.34 % of the exact solution.

    Parameters
    ----------
    share
        Extension over contour length, 0 to below 1, any shape.
    """
    y = np.asarray(share, float)
    rest = np.polynomial.polynomial.polyval(y, (0.0, 0.0, *CORRECTION))
    return np.asarray(0.25 / (1.0 - y) ** 2 - 0.25 + y + rest)


def freely_jointed_force(share: ArrayLike) -> Floats:
    """Force of a freely jointed chain, in kT / Kuhn length: inverse of coth b - 1 / b.

    3 y + (y^2 / 5) sin(7 y / 2) + y^3 / (1 - y), source of the form not known to us; within 0.18 %
    of the exact inverse.

    Parameters
    ----------
    share
        Extension over contour length, 0 to below 1, any shape.
    """
    y = np.asarray(share, float)
    return np.asarray(3.0 * y + y * y / 5.0 * np.sin(3.5 * y) + y**3 / (1.0 - y))


CHAINS: dict[Chain, Callable[[ArrayLike], Floats]] = {
    "worm_like": worm_like_force,
    "freely_jointed": freely_jointed_force,
}
"""Force laws of chains, in kT over their stiff length, by name."""


def find_stretches(
    extension_nm: ArrayLike, force_nN: ArrayLike, *, least_sigma: float = 6.0
) -> list[tuple[int, int]]:
    """Find where a pull grows and then breaks, on the way back.

    Parameters
    ----------
    extension_nm
        Distance of the tip from the contact, growing outwards (s,), nm, in the order taken.
    force_nN
        Force, negative where the sample pulls (s,).
    least_sigma
        Smallest fall of the pull at a rupture, in noise sigma.

    Returns
    -------
    list of (int, int)
        First sample and the one after the last, of every stretch of eight samples or more.
    """
    x, pull = np.asarray(extension_nm, float), -np.asarray(force_nN, float)
    out = np.isfinite(x) & np.isfinite(pull) & (x > 0)
    if out.sum() < 16:
        return []
    sigma = float(np.median(np.abs(np.diff(pull[out])))) / 0.954
    width = FALL_SAMPLES
    fall = np.zeros(len(x))
    fall[:-width] = pull[:-width] - pull[width:]
    clear = (fall > least_sigma * max(sigma, 1e-12)) & out & (pull > 0)
    found: list[tuple[int, int]] = []
    falls = np.flatnonzero(clear)
    begin, behind = int(np.argmax(out)), 0
    # runs of samples, one after another, from which the pull falls
    for together in np.split(falls, np.flatnonzero(np.diff(falls) > 1) + 1):
        run = together[together > behind]
        if not len(run):
            continue
        first, end = int(run[0]), int(run[-1])
        peak = first + int(np.argmin(np.diff(pull[first : end + width + 1])))
        if peak + 1 - begin >= LEAST_SAMPLES:
            found.append((begin, peak + 1))
        begin = behind = end + width
    return found


def _start(
    law: Callable[[ArrayLike], Floats], xs: Floats, ys: Floats, longest: float, thermal: float
) -> tuple[float, float]:
    """Best of many contour lengths: for each the stiff length follows from a straight line."""
    beyond = np.linspace(-6.0, 2.5, 35)
    share = np.minimum(xs / (longest * (1.0 + np.exp(beyond)))[:, None], FULLEST)
    shape = thermal * law(share)
    height = np.maximum(shape @ ys / np.sum(shape * shape, axis=1), 1e-12)
    rest = np.sum((height[:, None] * shape - ys) ** 2, axis=1)
    best = int(np.argmin(rest))
    return float(beyond[best]), float(-np.log(height[best]))


def fit_stretch(
    extension_nm: ArrayLike,
    force_nN: ArrayLike,
    *,
    model: Chain = "worm_like",
    temperature_K: float = TEMPERATURE_K,
    first: int = 0,
    last: int | None = None,
) -> Stretch:
    """Fit a chain's law to one stretch.

    Parameters
    ----------
    extension_nm, force_nN
        The way back, as for `find_stretches`.
    model
        "worm_like" or "freely_jointed".
    temperature_K
        Absolute temperature.
    first, last
        The stretch: samples ``first <= i < last``; all by default.

    Returns
    -------
    Stretch
        Lengths NaN where the pull does not grow or fewer than eight samples are given. Intervals
        assume white noise.

    Raises
    ------
    ValueError
        If the law is unknown or the temperature is not positive.
    """
    if model not in CHAINS:
        raise ValueError(f"model must be one of {', '.join(CHAINS)}, got {model!r}")
    if not (np.isfinite(temperature_K) and temperature_K > 0):
        raise ValueError(f"temperature_K must be > 0, got {temperature_K}")
    x, pull = np.asarray(extension_nm, float), -np.asarray(force_nN, float)
    last = len(x) if last is None else last
    known = np.isfinite(x[first:last]) & np.isfinite(pull[first:last]) & (x[first:last] > 0)
    xs, ys = x[first:last][known], pull[first:last][known]
    if len(xs) < 8 or not ys[-3:].mean() > ys[: len(ys) // 2].mean():
        nan = float("nan")
        ends = (float(ys[-1]), float(xs[-1])) if len(xs) else (nan, nan)
        return Stretch(model, first, last, *ends, nan, nan, nan, nan, nan, nan, nan)
    law, thermal, longest = CHAINS[model], BOLTZMANN * temperature_K, float(xs.max())

    def residual(theta: Floats) -> Floats:
        # the contour is longer than what was reached, whatever theta
        share = np.minimum(xs / (longest * (1.0 + np.exp(theta[0]))), FULLEST)
        return thermal * np.exp(-theta[1]) * law(share) - ys

    best = least_squares(residual, _start(law, xs, ys, longest, thermal))
    jac = np.asarray(best.jac)
    spread = np.sqrt(2.0 * best.cost / (len(xs) - 2))
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv(jac.T @ jac)), 0.0)) * spread
    reach = errors * float(student.ppf(0.975, len(xs) - 2))
    with np.errstate(over="ignore"):  # an end that the stretch does not bound is infinite
        contour = [float(longest * (1.0 + np.exp(best.x[0] + s * reach[0]))) for s in (0, -1, 1)]
        stiff = [float(np.exp(best.x[1] + s * reach[1])) for s in (0, -1, 1)]
    return Stretch(
        model,
        first,
        last,
        float(ys[-1]),
        float(xs[-1]),
        *(contour[0], contour[1], contour[2]),
        *(stiff[0], stiff[1], stiff[2]),
        float(spread),
    )
