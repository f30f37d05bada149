"""From nanometres to newtons: the spring constant from thermal motion."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import welch

Floats = NDArray[np.float64]
Beam = Literal["rectangular", "v_shaped", "ideal"]

BOLTZMANN = 1.380649e-5
"""Boltzmann's constant, N/m nm^2 / K."""
BEAM_FACTORS: dict[Beam, float] = {"rectangular": 0.817, "v_shaped": 0.764, "ideal": 1.0}
"""k <x^2> / kT for the first mode as an optical lever calibrated on a stiff surface sees it.

Rectangular: 0.971 of the energy in the first mode, over (1.09)^2 for the lever's slope (Butt and
Jaschke 1995, Nanotechnology 6:1; derived anew in the tests). V-shaped: Stark, Drobek and Heckl 2001
(Ultramicroscopy 86:207), from memory. Ideal: a point on a spring.
"""
LEAST_BINS = 16
HANN = 1.0 + 2.0 * (4.0 / 9.0) + 2.0 / 36.0
"""Variance of a sum over bins under a Hann window, over that of independent ones: neighbours'
powers correlate by (2 / 3)^2, those after by (1 / 6)^2."""
STARTS = (1.5, 10.0, 100.0, 600.0)
"""Quality factors from which the fit sets out."""
MOST_STEPS = 200


@dataclass(frozen=True)
class ThermalFit:
    """Simple harmonic oscillator fitted to a thermal spectrum.

    Attributes
    ----------
    resonance_Hz, quality
        Resonance and quality factor.
    mean_square_nm2
        Mean square of the mode's motion, as the lever sees it.
    background_nm2_per_Hz
        White background.
    drift_nm2
        Of a background drift / f beside it; 0 where it finds none.
    spring_constant_N_per_m
        Beam factor kT / mean square, over cos^2 of the tilt.
    fit_rel_se
        Relative standard error of the mean square, from the fit alone.
    rel_sd
        With twice the sensitivity's relative standard deviation in quadrature.
    misfit
        Mean of spectrum over fit, and how it strays: largest deviation of that mean from 1 in ten
        equal stretches. A clean resonance has some 0.1 or less.
    model_nm2_per_Hz
        The fit at the frequencies given (m,); NaN outside the fitted range.
    """

    resonance_Hz: float
    quality: float
    mean_square_nm2: float
    background_nm2_per_Hz: float
    drift_nm2: float
    spring_constant_N_per_m: float
    fit_rel_se: float
    rel_sd: float
    misfit: float
    model_nm2_per_Hz: Floats


def thermal_spectrum(
    deflection_nm: ArrayLike, sample_rate_Hz: float, segments: int = 32
) -> tuple[Floats, Floats, int]:
    """One-sided spectrum of free motion by Welch's method (Hann, halves overlapping).

    Parameters
    ----------
    deflection_nm
        Deflection of the free cantilever (s,), nm.
    sample_rate_Hz
        Samples a second.
    segments
        Into how many stretches the record is cut.

    Returns
    -------
    (frequency_Hz, density_nm2_per_Hz, averages)
        (m,) each, and the number of independent averages, for `fit_thermal`.

    Raises
    ------
    ValueError
        If the record is too short or the rate is not positive.
    """
    x = np.asarray(deflection_nm, float)
    if not (np.isfinite(sample_rate_Hz) and sample_rate_Hz > 0):
        raise ValueError(f"sample_rate_Hz must be > 0, got {sample_rate_Hz}")
    length = len(x) // max(segments, 1)
    if length < 2 * LEAST_BINS or not np.isfinite(x).all():
        raise ValueError(
            f"need {2 * LEAST_BINS * segments} finite samples for {segments} segments, got "
            f"{int(np.isfinite(x).sum())}"
        )
    frequency, power = welch(x, sample_rate_Hz, nperseg=length)
    # neighbours that overlap by half share (1 / 6)^2 of their power under Hann: 1 / (1 + 2 / 36)
    averages = max(round(0.947 * (2 * len(x) // length - 1)), 1)
    return frequency, power, averages


def fit_thermal(
    frequency_Hz: ArrayLike,
    density_nm2_per_Hz: ArrayLike,
    *,
    averages: int,
    range_Hz: tuple[float, float],
    temperature_K: float = 298.15,
    beam: Beam = "rectangular",
    beam_factor: float | None = None,
    tilt_deg: float = 0.0,
    sensitivity_rel_sd: float = 0.0,
    inflation: float = 1.0,
) -> ThermalFit:
    """Fit a harmonic oscillator on a white background; take the spring constant from its area.

    S(f) = B + A f0^4 / ((f^2 - f0^2)^2 + (f f0 / Q)^2), by maximum likelihood of a periodogram
    averaged ``averages`` times (its bins scatter as a gamma variable). Mean square = pi A f0 Q / 2.
    A further background D / f, D >= 0, is fitted with it: in liquid the detector's 1/f noise would
    otherwise count as motion. The standard error allows for it even where none is found.

    Parameters
    ----------
    frequency_Hz, density_nm2_per_Hz
        One-sided spectrum (m,).
    averages
        Independent spectra in the mean.
    range_Hz
        Where the first resonance, and nothing else, rises over the background.
    temperature_K
        Absolute temperature.
    beam, beam_factor
        Shape of the beam, or the factor itself (e.g. for a bead at the end).
    tilt_deg
        Tilt of the cantilever: the spring constant along the sample's normal is k / cos^2 (Hutter
        2005, Langmuir 21:2630, from memory).
    sensitivity_rel_sd
        Relative standard deviation of the sensitivity, of which the spring constant has twice.
    inflation
        Variance of sums over bins, over that of independent ones: 1, or `HANN`.

    Returns
    -------
    ThermalFit
        NaN where no resonance is found within the range.

    Raises
    ------
    ValueError
        If shapes do not agree, fewer than 16 bins lie in the range, or a constant is out of range.
    """
    f, p = np.asarray(frequency_Hz, float), np.asarray(density_nm2_per_Hz, float)
    _check(f, p, range_Hz, temperature_K, averages)
    inside = (f >= range_Hz[0]) & (f <= range_Hz[1]) & (f > 0) & (p > 0)
    fs, ps = f[inside], p[inside]
    if len(fs) < LEAST_BINS:
        raise ValueError(f"range_Hz {range_Hz} holds {len(fs)} bins, at least {LEAST_BINS} needed")
    fits = [_scoring(_start(fs, ps, quality), fs, ps) for quality in STARTS]
    theta = min(fits, key=lambda found: _likelihood(found, fs, ps))
    error = _area_error(theta, fs, averages / inflation)
    height, resonance, quality, floor, drift = np.exp(theta)
    area = float(np.pi / 2.0 * height * resonance * quality)
    factor = BEAM_FACTORS[beam] if beam_factor is None else float(beam_factor)
    k = factor * BOLTZMANN * temperature_K / area / float(np.cos(np.radians(tilt_deg))) ** 2
    stretches = [np.mean(part) for part in np.array_split(ps / np.exp(_model(theta, fs)[0]), 10)]
    model = np.full_like(f, np.nan)
    model[inside] = np.exp(_model(theta, fs)[0])
    found = range_Hz[0] < resonance < range_Hz[1] and error < 1.0
    nan = float("nan")
    return ThermalFit(
        resonance_Hz=float(resonance) if found else nan,
        quality=float(quality) if found else nan,
        mean_square_nm2=area if found else nan,
        background_nm2_per_Hz=float(floor) if found else nan,
        drift_nm2=float(drift) if found else nan,
        spring_constant_N_per_m=k if found else nan,
        fit_rel_se=error if found else nan,
        rel_sd=float(np.hypot(error, 2.0 * sensitivity_rel_sd)) if found else nan,
        misfit=float(np.max(np.abs(np.array(stretches) - 1.0))),
        model_nm2_per_Hz=model,
    )


def _area_error(theta: Floats, f: Floats, averages: float) -> float:
    """Give the error of ln area; a background D / f counts even where none was found."""
    log_s, jac = _model(theta, f)
    jac[4] = f[0] / f * np.exp(theta[3] - log_s)
    covariance = np.linalg.pinv(jac @ jac.T * averages)
    # ln area = ln A + ln f0 + ln Q
    weight = np.array([1.0, 1.0, 1.0, 0.0, 0.0])
    return float(np.sqrt(weight @ covariance @ weight))


def _check(
    f: Floats, p: Floats, span: tuple[float, float], temperature: float, averages: int
) -> None:
    if f.ndim != 1 or f.shape != p.shape:
        raise ValueError(f"spectrum must be two (m,) arrays, got {f.shape} and {p.shape}")
    if not 0 <= span[0] < span[1]:
        raise ValueError(f"range_Hz must grow from >= 0, got {span}")
    if not (np.isfinite(temperature) and temperature > 0):
        raise ValueError(f"temperature_K must be > 0, got {temperature}")
    if averages < 1:
        raise ValueError(f"averages must be >= 1, got {averages}")


def _start(f: Floats, p: Floats, quality: float) -> Floats:
    peak = float(f[np.argmax(p * f)] if quality < 2 else f[np.argmax(p)])
    floor = max(float(np.quantile(p, 0.05)), 1e-300)
    height = max(float(p.max()), 1e-300) / quality**2
    return np.log([height, peak, quality, floor, 0.3 * floor * float(f[0])])


def _model(theta: Floats, f: Floats) -> tuple[Floats, Floats]:
    """Logarithm of the spectrum (m,) and its derivatives by the logarithms of A, f0, Q, B, D."""
    height, resonance, quality, floor, drift = np.exp(np.clip(theta, -300.0, 300.0))
    x2 = (f / resonance) ** 2
    damping = x2 / quality**2
    down = (x2 - 1.0) ** 2 + damping
    mode = height / down
    s = mode + floor + drift / f
    shift = (4.0 * x2 * (x2 - 1.0) + 2.0 * damping) / down
    jac = [mode, mode * shift, mode * 2.0 * damping / down, np.full_like(f, floor), drift / f]
    return np.asarray(np.log(s)), np.stack(jac) / s


def _likelihood(theta: Floats, f: Floats, p: Floats) -> float:
    log_s, _ = _model(theta, f)
    return float(np.mean(log_s + p * np.exp(-log_s)))


def _scoring(theta: Floats, f: Floats, p: Floats) -> Floats:
    """Fisher scoring with damping: p / s - 1 has variance 1 / averages in every bin."""
    now, damping = _likelihood(theta, f, p), 1e-3
    for _ in range(MOST_STEPS):
        log_s, jac = _model(theta, f)
        normal = jac @ jac.T
        normal[np.diag_indices(5)] += damping * normal.diagonal() + 1e-12
        step = np.clip(np.linalg.solve(normal, jac @ (p * np.exp(-log_s) - 1.0)), -1.0, 1.0)
        found = _likelihood(theta + step, f, p)
        if not found < now:
            damping *= 8.0
            if damping > 1e8:
                break
            continue
        gain, theta, now = now - found, theta + step, found
        damping = max(damping / 8.0, 1e-9)
        if gain < 1e-12:
            break
    return theta
