"""Force curves of known truth: contact solved exactly, then what an instrument adds.

The drive travels z; the probe's deflection d and the indentation share what lies beyond the
contact: z - z0 = indentation + d, with k d = F(indentation). Units: nm, nN, kPa, N/m (= nN/nm).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_zarr.recipe import POISSON_RATIO, FaultRecipe, ProbeRecipe
from demo_zarr.scene import FloatArray

BoolArray = npt.NDArray[np.bool_]

FAULT_NAMES = ("none", "no_contact", "saturated", "jump", "not_taken")

_TABLE = 6000
# Length of the thread that adhesion pulls on the way back, in depths.
_TAIL = 0.35
CHAIN_PERSISTENCE_NM = 0.4
CHAIN_BREAKS_AT = 0.92
# kT at 298 K
_KT_NN_NM = 4.114e-3
# 1 kPa nm^2 in nN
_KPA_NM2 = 1e-6


@dataclass(frozen=True)
class CurveSet:
    """Curves of one site with their truth; n curves of s samples, row by row.

    Attributes
    ----------
    approach_z_nm, retract_z_nm
        Drive positions, shape (n, s), growing and falling.
    approach_nm, retract_nm
        Deflections as the detector gives them, shape (n, s).
    valid
        Whether a curve was taken, shape (n,).
    modulus_kPa, contact_nm, indentation_nm, force_nN, adhesion_nN, dissipation, contour_nm
        Truth of each curve, shape (n,); dissipation is the share of the loading work that doesn't
        come back, work against adhesion included; contour_nm is the length of the chain that the
        way back pulls, NaN for none.
    fault
        Index into ``FAULT_NAMES``, shape (n,).
    """

    approach_z_nm: FloatArray
    retract_z_nm: FloatArray
    approach_nm: FloatArray
    retract_nm: FloatArray
    valid: BoolArray
    modulus_kPa: FloatArray
    contact_nm: FloatArray
    indentation_nm: FloatArray
    force_nN: FloatArray
    adhesion_nN: FloatArray
    dissipation: FloatArray
    contour_nm: FloatArray
    fault: npt.NDArray[np.int64]


@dataclass(frozen=True)
class MapTruth:
    """What a set of curves is to show.

    Attributes
    ----------
    modulus_kPa, contact_nm, adhesion_nN, loss
        Young's modulus, contact point, pull-off force, and share of the depth that doesn't come
        back at once, shape (n,).
    tilt
        Slope of the baseline, nm a nm.
    not_taken
        How many curves were not taken.
    contour_nm
        Contour length of the chain that each way back pulls, shape (n,), NaN for none; None where
        no curve has one.
    """

    modulus_kPa: FloatArray
    contact_nm: FloatArray
    adhesion_nN: FloatArray
    loss: FloatArray
    tilt: float
    not_taken: int = 0
    contour_nm: FloatArray | None = None


def contact_law(shape: str, radius_nm: float) -> tuple[FloatArray, FloatArray]:
    """Indentation (nm) and force per reduced modulus (nm^2) from touching to deep.

    Parameters
    ----------
    shape
        ``sphere`` (exact, Sneddon 1965) or ``paraboloid`` (Hertz 1882).
    radius_nm
        Radius.

    Returns
    -------
    tuple of arrays
        Both of shape (points,), finer towards the contact.

    Raises
    ------
    ValueError
        If the shape is neither.
    """
    if shape == "sphere":
        a = radius_nm * 0.62 * np.linspace(0.0, 1.0, _TABLE)
        half_log = np.arctanh(a / radius_nm)
        force = (a**2 + radius_nm**2) * half_log - a * radius_nm
        return np.asarray(a * half_log), np.asarray(force)
    if shape == "paraboloid":
        depth = 20.0 * radius_nm * np.linspace(0.0, 1.0, _TABLE) ** 2
        return np.asarray(depth), np.asarray(4.0 / 3.0 * np.sqrt(radius_nm) * depth**1.5)
    raise ValueError(f"shape must be sphere or paraboloid, got {shape!r}")


def approach_deflection(
    z_nm: FloatArray, contact_nm: float, modulus_kPa: float, probe: ProbeRecipe
) -> FloatArray:
    """Deflection (nm) at drive positions, without tilt or noise, shape of ``z_nm``.

    Parameters
    ----------
    z_nm
        Drive positions.
    contact_nm
        Drive position at which the probe touches.
    modulus_kPa
        Young's modulus.
    probe
        The probe.
    """
    depth, force = contact_law(probe.shape, probe.radius_nm)
    reduced = modulus_kPa / (1.0 - POISSON_RATIO**2) * _KPA_NM2
    bend = reduced * force / probe.spring_constant_N_per_m
    return np.interp(z_nm - contact_nm, depth + bend, bend)


def _flicker(rng: np.random.Generator, n: int, samples: int, sd: float) -> FloatArray:
    """1/f noise of the given standard deviation over one curve, shape (n, samples)."""
    spectrum = np.fft.rfft(rng.standard_normal((n, samples)), axis=1)
    frequency = np.arange(spectrum.shape[1], dtype=np.float64)
    gain = np.zeros_like(frequency)
    gain[1:] = frequency[1:] ** -0.5
    noise = np.fft.irfft(spectrum * gain, samples, axis=1)
    return np.asarray(noise * (sd / noise.std()))


def _unload(depth: FloatArray, most: FloatArray, peak: FloatArray, truth: MapTruth) -> FloatArray:
    """Force on the way back: a 1.5 power down to the pull-off, then a thread that gives way."""
    left, tail = (most * truth.loss)[:, None], (_TAIL * most)[:, None]
    share = np.clip((depth - left) / (most[:, None] - left), 0.0, None)
    pull = truth.adhesion_nN[:, None]
    thread = np.clip((depth - left + tail) / tail, 0.0, 1.0)
    return np.asarray((peak[:, None] + pull) * share**1.5 - pull * thread)


def _retract(
    z_nm: FloatArray, truth: MapTruth, most: FloatArray, peak: FloatArray, spring: float
) -> tuple[FloatArray, FloatArray]:
    """Deflection on the way back (n, s), and the work that comes back, nN nm (n,)."""
    start = most * (truth.loss - _TAIL)
    depth = start[:, None] + (most - start)[:, None] * np.linspace(0.0, 1.0, 3000)
    force = _unload(depth, most, peak, truth)
    place = truth.contact_nm[:, None] + depth + force / spring
    out = np.zeros_like(z_nm)
    for i in range(most.size):
        out[i] = np.interp(z_nm[i], place[i], force[i] / spring, left=0.0)
    return out, np.asarray(np.trapezoid(force, depth, axis=1))


def _pull_chains(back: FloatArray, z_nm: FloatArray, truth: MapTruth, spring: float) -> None:
    """Let the ways back that hold a chain pull it until it breaks, in place.

    The law is Marko and Siggia's (1995), its persistence length and the share of its length at
    which it breaks the same for all.
    """
    if truth.contour_nm is None:
        return
    share = np.linspace(0.0, CHAIN_BREAKS_AT, 400)
    pull = _KT_NN_NM / CHAIN_PERSISTENCE_NM * (0.25 / (1 - share) ** 2 - 0.25 + share)
    for i in np.flatnonzero(np.isfinite(truth.contour_nm)):
        out = share * truth.contour_nm[i] + pull / spring
        back[i] -= np.interp(truth.contact_nm[i] - z_nm[i], out, pull, left=0, right=0) / spring


def _break(
    curves: FloatArray, back: FloatArray, fault: npt.NDArray[np.int64], rng: np.random.Generator
) -> None:
    """Spoil the faulty ones of some curves in place."""
    samples = curves.shape[1]
    for i in np.flatnonzero(fault == 1):
        curves[i], back[i] = 0.0, 0.0
    for i in np.flatnonzero(fault == 2):
        ceiling = rng.uniform(0.45, 0.7) * curves[i].max()
        np.minimum(curves[i], ceiling, out=curves[i])
        np.minimum(back[i], ceiling, out=back[i])
    for i in np.flatnonzero(fault == 3):
        start = int(rng.uniform(0.25, 0.85) * samples)
        curves[i, start:] += rng.choice([-1.0, 1.0]) * rng.uniform(0.08, 0.2) * curves[i].max()


def _faults(
    rng: np.random.Generator, n: int, rates: FaultRecipe, not_taken: int
) -> npt.NDArray[np.int64]:
    edges = np.cumsum([rates.no_contact, rates.saturated, rates.jump])
    fault = np.searchsorted(edges, rng.random(n), side="right") + 1
    fault[fault == 4] = 0
    fault[rng.permutation(n)[:not_taken]] = 4
    return np.asarray(fault, dtype=np.int64)


def take_curves(
    truth: MapTruth, probe: ProbeRecipe, rates: FaultRecipe, rng: np.random.Generator
) -> CurveSet:
    """Take the curves of one site.

    Parameters
    ----------
    truth
        What they are to show.
    probe
        The probe.
    rates
        How often a curve goes wrong.
    rng
        Source of chance.

    Returns
    -------
    CurveSet
        Curves as an instrument gives them, and their truth.
    """
    n, spring = truth.modulus_kPa.size, probe.spring_constant_N_per_m
    depth, force = contact_law(probe.shape, probe.radius_nm)
    reduced = truth.modulus_kPa / (1.0 - POISSON_RATIO**2) * _KPA_NM2
    most = np.interp(probe.trigger_nN / reduced, force, depth)
    end = truth.contact_nm + most + probe.trigger_nN / spring
    share = np.arange(1, probe.samples + 1) / probe.samples
    z = end[:, None] + probe.ramp_nm * (share - 1.0)
    ahead = np.stack(
        [
            approach_deflection(z[i], truth.contact_nm[i], truth.modulus_kPa[i], probe)
            for i in range(n)
        ]
    )
    z_back = z[:, ::-1].copy()
    peak = np.full(n, probe.trigger_nN)
    back, unloading = _retract(z_back, truth, most, peak, spring)
    _pull_chains(back, z_back, truth, spring)
    inner = np.linspace(0.0, 1.0, 400) * most[:, None]
    loading = np.trapezoid(np.interp(inner, depth, force) * reduced[:, None], inner, axis=1)
    fault = _faults(rng, n, rates, truth.not_taken)
    _break(ahead, back, fault, rng)
    both = np.concatenate([ahead, back], axis=1)
    both += _flicker(rng, n, both.shape[1], probe.drift_nm)
    both += rng.normal(0, probe.white_nm, both.shape)
    both += rng.normal(0, 6.0, (n, 1)) + truth.tilt * (np.concatenate([z, z_back], 1) - z[:, :1])
    _saturate_again(both, fault, probe.samples)
    return CurveSet(
        approach_z_nm=z,
        retract_z_nm=z_back,
        approach_nm=both[:, : probe.samples],
        retract_nm=both[:, probe.samples :],
        valid=fault != 4,
        modulus_kPa=truth.modulus_kPa,
        contact_nm=truth.contact_nm,
        indentation_nm=most,
        force_nN=peak,
        adhesion_nN=truth.adhesion_nN,
        dissipation=(loading - unloading) / loading,
        contour_nm=np.full(n, np.nan) if truth.contour_nm is None else truth.contour_nm,
        fault=fault,
    )


def _saturate_again(both: FloatArray, fault: npt.NDArray[np.int64], samples: int) -> None:
    """Clip saturated curves after noise and tilt: a saturated detector gives one constant value."""
    for i in np.flatnonzero(fault == 2):
        ahead = both[i, :samples]
        ceiling = float(np.quantile(ahead, 0.9))
        np.minimum(both[i], ceiling, out=both[i])
